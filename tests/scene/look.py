"""How a scene looks: colours, surfaces, light, and what lens and phone do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Colour = tuple[float, float, float]  # linear light, 0 to 1, blue green red


@dataclass(frozen=True)
class Look:
    """How a scene looks.

    Attributes
    ----------
    table, card, stripe, metal, head_colour : tuple of float
        Linear-light colours (blue, green, red).
    surface : str
        "plain", "noise" (mottled by ``mottle``, its relative standard deviation) or "ruled".
    art : str
        "plain" or "stripe".
    brushed : float
        Relative standard deviation of streaks along the blade.
    groove_shade : float
        Brightness of a groove's floor, relative to the face.
    wall_shade : tuple of float
        Brightness of the side walls relative to the face: averted from the light and turned to it.
    light_azimuth_deg, light_elevation_deg : float
        Where the light comes from.
    shadow, shadow_soft_mm : float
        Share of light that the cast shadow takes away, and the sd of its edge's blur on the table.
    blur_px, noise_grey, sharpen : float
        Sd of lens blur; sd of noise in grey levels; strength of unsharp masking.
    jpeg_quality : int or None
        Quality of a JPEG round trip.
    """

    table: Colour = (0.62, 0.64, 0.66)
    card: Colour = (0.30, 0.22, 0.12)
    stripe: Colour = (0.03, 0.03, 0.03)
    metal: Colour = (0.16, 0.30, 0.36)
    head_colour: Colour = (0.16, 0.30, 0.36)
    surface: Literal["plain", "noise", "ruled"] = "plain"
    mottle: float = 0.05
    art: Literal["plain", "stripe"] = "plain"
    brushed: float = 0.0
    groove_shade: float = 0.6
    wall_shade: tuple[float, float] = (0.35, 0.75)
    light_azimuth_deg: float = 120.0
    light_elevation_deg: float = 55.0
    shadow: float = 0.0
    shadow_soft_mm: float = 0.5
    blur_px: float = 1.0
    noise_grey: float = 1.0
    sharpen: float = 0.0
    jpeg_quality: int | None = None

    @property
    def to_light(self) -> NDArray[np.float64]:
        """Unit vector from the table to the light, in the world frame."""
        azimuth, elevation = np.radians([self.light_azimuth_deg, self.light_elevation_deg])
        flat = np.cos(elevation)
        return np.array([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)])
