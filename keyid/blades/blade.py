"""The blade in its own frame: stop, tip, and the two edges as traces.

Blade frame (all in mm): x runs along the blade axis, zero at the stop: from the shoulder toward the tip, or, for a tip
stop, from the tip toward the bow.  Height is the distance across the axis from the opposite edge's uncut line, on the
face that looks to the camera (its upper rim).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid.blades.face import FaceLines
from keyid.length import Length

Array = NDArray[np.float64]


@dataclass(frozen=True)
class EdgeTrace:
    """One edge of the blade, station by station.

    Attributes
    ----------
    x_mm : ndarray, shape (n,)
        Stations from the stop, ascending, evenly spaced.
    height_mm : ndarray, shape (n,)
        Distance from the opposite edge's uncut line; NaN where nothing was seen.
    u_mm : ndarray, shape (n,)
        Standard uncertainty of each height from locating the edge alone; NaN where nothing was seen.
    correlation_mm : float
        Length along the blade over which neighbouring errors go together: samples further apart are independent.
    """

    x_mm: Array
    height_mm: Array
    u_mm: Array
    correlation_mm: float

    def scaled(self, along: float, across: float) -> EdgeTrace:
        """The edge of a blade so many times as long and as wide."""
        heights = self.height_mm * across, self.u_mm * across
        return EdgeTrace(self.x_mm * along, *heights, self.correlation_mm * along)


@dataclass(frozen=True)
class BudgetLine:
    """One named contribution to the uncertainties (JCGM 100:2008, 5.1): what one standard uncertainty of it does.

    Attributes
    ----------
    source : str
    length_mm, width_mm : float
        Change of the blade's length and width.
    height_mm : float
        Root mean square change of heights along the blade.
    station_mm : float
        Change common to all stations.
    stretch : float
        Relative change of lengths along the blade.
    """

    source: str
    length_mm: float
    width_mm: float
    height_mm: float
    station_mm: float
    stretch: float

    def weighed(self, long: float, along: float, across: float) -> BudgetLine:
        """The line with parts of what it does to the length, to stations, and to widths and heights."""
        return BudgetLine(
            self.source,
            self.length_mm * long,
            self.width_mm * across,
            self.height_mm * across,
            self.station_mm * along,
            self.stretch * along,
        )


@dataclass(frozen=True)
class Blade:
    """The measured blade.

    Attributes
    ----------
    stop : str
        "shoulder", "tip", or "unknown".
    edges : int or None
        How many edges are cut; None when nothing is cut.
    length : Length or None
        Stop to tip; None for a tip stop whose bow end the head hides.
    width : Length
        Across the uncut blade.
    a, b : EdgeTrace
        Edge a is the cut edge; of two cut edges (or none) the upper one with the tip turned right.
    height_common_u_mm : float
        Standard uncertainty common to all heights (datum lines, rim, scale across).
    station_common_u_mm : float
        Standard uncertainty of the stop's station: common to all x.
    stretch_u : float
        Relative standard uncertainty of lengths along the axis.
    budget : tuple of BudgetLine
        What the uncertainties are made of.
    faces : tuple of FaceLines
        Lines along the visible face, one of each photo that shows enough of it.
    tip : ndarray, shape (n, 2)
        The tip's rim: station from the stop, and height above edge b's uncut line.
    thickness : Length or None
        The thickness that was assumed, or told; None where lengths don't rest on one.
    """

    stop: Literal["shoulder", "tip", "unknown"]
    edges: Literal[1, 2] | None
    length: Length | None
    width: Length
    a: EdgeTrace
    b: EdgeTrace
    height_common_u_mm: float
    station_common_u_mm: float
    stretch_u: float
    budget: tuple[BudgetLine, ...] = ()
    faces: tuple[FaceLines, ...] = ()
    tip: Array = field(default_factory=lambda: np.empty((0, 2)))
    thickness: Length | None = None
