"""A profile: one blade, its cutting system, and the blanks made with it, read from a TOML file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Blank:
    """A blank sold with a blade."""

    id: str
    head: Literal["metal", "plastic"]
    head_colour: str | None
    electronics: Literal["none", "fixed-code", "encrypted", "rolling-code", "unknown"]
    test_blank: str | None
    note: str


@dataclass(frozen=True)
class Profile:
    """A blade and its cutting system; all lengths in mm, whatever unit the file prints.

    Attributes
    ----------
    id, name, status, source : str
        As in the file.
    edges : int
        1, or 2 for the same bitting on both edges.
    stop : str
        "shoulder" or "tip".
    length_mm : float or None
        Stop to tip; for a tip stop tip to bow.
    width_mm : float
        Across the uncut blade.
    thickness_mm : float or None
        Of the blade.
    grooves_left, grooves_right : tuple of (near, far)
        Milled grooves of each face in mm from the lower edge with the tip right and the cut edge up (left face).
    positions_mm : tuple of float
        From the stop to each root's centre, ascending.
    codes : tuple of str
        Depth codes, shallowest (highest root) first.
    roots_mm : tuple of float
        Root height of each code, descending.
    order : str
        "bow-to-tip" or "tip-to-bow".
    flat_mm, angle_deg, macs, as_made_sd_mm : float, float, int, float or None
        Optional facts of the cutting system.
    blanks : tuple of Blank
    """

    id: str
    name: str
    unit: Literal["mm", "in"]
    status: Literal["published", "measured", "from-memory", "invented"]
    source: str
    edges: Literal[1, 2]
    stop: Literal["shoulder", "tip"]
    length_mm: float | None
    width_mm: float
    thickness_mm: float | None
    grooves_left_mm: tuple[tuple[float, float], ...]
    grooves_right_mm: tuple[tuple[float, float], ...]
    positions_mm: tuple[float, ...]
    codes: tuple[str, ...]
    roots_mm: tuple[float, ...]
    order: Literal["bow-to-tip", "tip-to-bow"]
    flat_mm: float | None
    angle_deg: float | None
    macs: int | None
    as_made_sd_mm: float | None
    blanks: tuple[Blank, ...]

    @property
    def stop_first(self) -> bool:
        """True when the bitting is read out starting at the stop."""
        return (self.stop == "shoulder") == (self.order == "bow-to-tip")
