"""A profile: one blade, its cutting system, and the blanks made with it."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Literal

Outline = tuple[object, ...]  # hashable: blades can be grouped by it


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
    width_sd_mm : float or None
        Standard uncertainty of ``width_mm`` where it was measured or the source doesn't print it; else None.
    counts : tuple of int
        Numbers of cuts that keys of this system have, ascending; each means the first so many positions from the
        stop.  Empty when every key has a cut at every position.
    hold : str or None
        How to place and hold the key for cutting.
    adding_keys : tuple of (working_keys, text)
        What adding a working key takes when the customer still has so many, ascending.
    date : date or None
        When it was measured.
    length_sd_mm, thickness_sd_mm : float or None
        Standard uncertainties of measured values.
    positions_sd_mm, roots_sd_mm : tuple of float
        Standard uncertainty of each position and of each code's root; empty where none are stated.
    tip_mm : tuple of (x, y)
        Outline of the uncut tip from the cut edge to the other one: x from the stop, y from the lower edge as for
        grooves; empty where it is not told.
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
    width_sd_mm: float | None = None
    counts: tuple[int, ...] = ()
    hold: str | None = None
    adding_keys: tuple[tuple[int, str], ...] = ()
    date: datetime.date | None = None
    length_sd_mm: float | None = None
    thickness_sd_mm: float | None = None
    positions_sd_mm: tuple[float, ...] = ()
    roots_sd_mm: tuple[float, ...] = ()
    tip_mm: tuple[tuple[float, float], ...] = ()

    @property
    def stop_first(self) -> bool:
        """True when the bitting is read out starting at the stop."""
        return (self.stop == "shoulder") == (self.order == "bow-to-tip")

    @property
    def outline(self) -> Outline:
        """All that shapes the blade and its cuts as seen from the side; equal for blades that differ only in grooves.

        Lengths are rounded to a nanometre, so that the same blade written in mm and in inches is the same.
        """
        plain = (self.length_mm, self.width_mm, self.thickness_mm, self.flat_mm, self.angle_deg)
        lengths = tuple(None if value is None else round(value, 6) for value in plain)
        rows = (self.positions_mm, self.roots_mm)
        return self.edges, self.stop, lengths, tuple(tuple(round(value, 6) for value in row) for row in rows)


def same_outline(p: Profile, q: Profile) -> bool:
    """Tell whether two blades are identical but for grooves, names, code labels and blanks."""
    return p.outline == q.outline
