"""Which of the edges along each of a card's sides is its rim: decided for the four sides together.

Shadows, walls and print run along the sides, too.  Each way to read them is weighed by the looks of its edges, by how
well a card of the known size fits, and by whether the round corners join what is taken for the rims.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from keyid.scales.card_edges import Corners, Ridge, SideEdges, arc_gaps
from keyid.scales.card_fit import Fit

Array = NDArray[np.float64]

MAX_CHOICES = 5  # ways to read one side that are weighed: 625 for four sides
OTHER_COST = 2.0  # against an edge that doesn't look like the rim (log odds)
GAP_COST = 0.5  # against each station at which an edge doesn't show: print beside the rim has gaps (log odds)
ARC_GAP_COST = 0.3  # and against each at which a corner's arc doesn't show
LOW_COST = 0.7  # even odds for either rim of a wall that shows
LOW_AGAINST = 3.0  # when both rims show, the outer one isn't the upper
MIN_WALL_PX = 0.8  # of a wall that shows less the rims aren't told apart
WALL_MATCH = 0.4  # two edges as far apart as the wall is wide, give or take that share, are its rims


@dataclass(frozen=True)
class Choice:
    """One way to read a side's edges.

    Attributes
    ----------
    ridge : Ridge
        The edge taken for a rim.
    low : bool
        Whether it is taken for the lower rim.
    edge_px : float
        Where that rim is, from the side's line.
    rim_px : float
        Where the top rim then is.
    cost : float
        Log odds against it by its looks.
    """

    ridge: Ridge
    low: bool
    edge_px: float
    rim_px: float
    cost: float


def choices_of(side: SideEdges, sharp_px: float) -> list[Choice]:
    """The ways to read a side, the likeliest by its looks first."""
    if not side.ridges:
        hidden = Ridge(0.0, 0.0, sharp_px, np.inf, 0)
        return [Choice(hidden, False, 0.0, 0.0, 0.0)]
    ways = []
    shows = side.wall_px > MIN_WALL_PX
    for k, ridge in enumerate(side.ridges):
        gaps = GAP_COST * ridge.gaps
        cost = OTHER_COST * min(k, 1) + (LOW_COST if shows else 0.0)
        at = ridge.rim_px(sharp_px)
        ways.append(Choice(ridge, False, at, at, cost + gaps))
        if shows:
            inner = [ridge.peak_px - other.peak_px for other in side.ridges[:k]]
            both = any(abs(apart / side.wall_px - 1) < WALL_MATCH for apart in inner)
            cost = LOW_AGAINST if both else LOW_COST + (OTHER_COST if k > 1 else 0.0)
            ways.append(Choice(ridge, True, at, at - side.wall_px, cost + gaps))
    return [ways[0], *sorted(ways[1:], key=lambda way: way.cost)[: MAX_CHOICES - 1]]


def decide(
    first: Fit, choices: list[list[Choice]], sides: tuple[SideEdges, ...], corners: Corners
) -> tuple[list[Choice], Array]:
    """The likeliest way to read all sides together, and how uncertain each side's rim stays, in pixels.

    Parameters
    ----------
    first : Fit
        To each side's first choice; how its cost changes with the sides' places is known from it.
    choices : list of list of Choice
        For each side.
    sides : tuple of SideEdges
    corners : Corners
        As the same camera predicts them: an arc joins what is taken for the rims of two sides.
    """
    ways = np.array(list(product(*(range(len(side)) for side in choices))))  # a choice for each side
    each = list(zip(choices, ways.T, strict=True))
    rim = np.column_stack([np.array([choice.rim_px for choice in side])[chosen] for side, chosen in each])
    moved = rim - rim[0]
    cost = moved @ first.pull + 0.5 * np.einsum("ij,jk,ik->i", moved, first.stiffness, moved)
    cost += sum(np.array([choice.cost for choice in side])[chosen] for side, chosen in each)
    for k in range(4):
        cost += ARC_GAP_COST * _corner_gaps(k, corners, choices, sides)[ways[:, k - 1], ways[:, k]]
    best = int(np.argmin(cost))
    weight = np.exp(cost[best] - cost)
    weight /= weight.sum()
    spread = np.sqrt(weight @ (rim - rim[best]) ** 2)
    return [side[chosen] for side, chosen in zip(choices, ways[best], strict=True)], spread


def _corner_gaps(
    corner: int, corners: Corners, choices: list[list[Choice]], sides: tuple[SideEdges, ...]
) -> NDArray[np.int_]:
    """Stations of a corner that show no edge, for each way to read the side before it and the one after it."""
    before, after = choices[corner - 1], choices[corner]
    height = np.minimum(*np.ix_([c.ridge.height for c in before], [c.ridge.height for c in after]))
    ends = (sides[corner - 1].line_px[-1], sides[corner].line_px[0])
    places = [np.array([end + c.ridge.peak_px for c in ways]) for end, ways in zip(ends, (before, after), strict=True)]
    return arc_gaps(corner, corners, height, places[0][:, None], places[1][None])
