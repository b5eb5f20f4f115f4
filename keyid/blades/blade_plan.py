"""What is decided once of a blade, before anything is varied: which edges are cut, and where its stop is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from keyid.blades.datum import CLEAR_SHARE, FEW_POINTS, clear, robust_slope, within
from keyid.outlines.ends import Step
from keyid.outlines.outline import EdgePoints, Outline

Array = NDArray[np.float64]

HEAD_MARGIN_MM = 1.0  # the coarse place where the blade leaves the head is good to about a millimetre
TIP_TAPER_MM = 3.5  # the blade tapers toward its tip over about that much
UNCUT_PERCENTILE = 90
CUT_DEPTH_MM = 0.3  # the deepest cuts of a key are deeper, a path led astray along a scratch seldom
STRAY_DEPTH_MM = 0.8  # paths that stray where hardly a point is clear do so by up to 0.5 mm
CUT_POINTS = 7  # stations, 0.5 mm: a cut is wider at that depth, an edge that strays to a shadow and back is not
DEEPEST_PERCENTILE = 5
ALIKE_PART = 0.4  # two cut edges are cut about as deep; one that is cut far less is a path that strays
CUT_SURE_U = 2.0  # nor does a path that wanders where the regions are undecided, above or below, make a cut
CUT_SHARE = 0.12  # of the blade: one narrow cut of four
SAME_STEP_MM = 0.4  # the two steps of a shoulder face each other
CLEAR_PART = 0.6  # of the clearer step's score
ALONG_LINE_MM = 0.08  # an uncut edge keeps to its line
ALONG_LINE_SHARE = 0.7  # of the edge; cuts leave flanks and roots at several depths, and no 70 % at one


@dataclass(frozen=True)
class Plan:
    """What was decided once, before anything is varied: which edge is cut, where the stop is, which points count."""

    stop: Literal["shoulder", "tip", "unknown"]
    edges: Literal[1, 2] | None
    a_is_upper: bool
    step_side: Literal["upper", "lower"] | None
    upper_cut: bool
    lower_cut: bool


def plan_blade(outline: Outline) -> Plan:
    """Decide which edges are cut and where the stop is."""
    start = outline.head_s_mm + HEAD_MARGIN_MM
    tip = float(np.max(outline.tip.s_mm))
    depths = [_cut_depth(points, sign, start, tip) for points, sign in ((outline.upper, 1), (outline.lower, -1))]
    upper_cut, lower_cut = (depth > ALIKE_PART * max(depths) for depth in depths)
    a_is_upper = upper_cut or not lower_cut
    edges: Literal[1, 2] | None = 2 if upper_cut and lower_cut else (1 if upper_cut or lower_cut else None)
    side = _stop_side(outline, upper_cut, lower_cut)
    stop: Literal["shoulder", "tip"] = outline.told_stop or ("tip" if side is None else "shoulder")
    return Plan(stop, edges, a_is_upper, side, upper_cut, lower_cut)


def step_s_mm(outline: Outline, plan: Plan) -> float | None:
    """Station of the shoulder in the outline's frame."""
    if outline.shoulder_at is not None:
        return outline.shoulder_at.s_mm
    step = _step(outline, plan)
    return None if step is None else step.s_mm


def step_u_mm(outline: Outline, plan: Plan) -> float:
    """Standard uncertainty of the shoulder's place; 0 where there is none."""
    step = _step(outline, plan)
    return 0.0 if step is None else step.u_mm


def _stop_side(outline: Outline, upper_cut: bool, lower_cut: bool) -> Literal["upper", "lower"] | None:
    """Where the shoulder is: at the cut edge's step; of two, the one nearer to the tip.

    A step that is far less clear than the other side's is not believed, and two that are equally clear but do not
    face each other are the front of a curved head.
    """
    steps = (outline.upper_step, outline.lower_step)
    clearest = max((step.score for step in steps if step is not None), default=0.0)
    found: list[tuple[bool, float, Literal["upper", "lower"]]] = []
    if outline.upper_step is not None and outline.upper_step.score > CLEAR_PART * clearest:
        found.append((upper_cut, outline.upper_step.s_mm, "upper"))
    if outline.lower_step is not None and outline.lower_step.score > CLEAR_PART * clearest:
        found.append((lower_cut, outline.lower_step.s_mm, "lower"))
    if len(found) == 2 and upper_cut == lower_cut and abs(found[0][1] - found[1][1]) > SAME_STEP_MM:
        return None
    return max(found)[2] if found else None


def _step(outline: Outline, plan: Plan) -> Step | None:
    """The step that is the shoulder."""
    if plan.step_side is None:
        return None
    return outline.upper_step if plan.step_side == "upper" else outline.lower_step


def _cut_depth(points: EdgePoints, sign: int, start_mm: float, tip_mm: float) -> float:
    """How deep an edge is cut, mm; 0 where it leaves its uncut line on no more than a small part of the blade.

    Where only a few points are clear, they may all lie on roots: then deep cuts in all points tell.
    """
    out = within(points, start_mm, tip_mm - TIP_TAPER_MM)
    if len(out) < FEW_POINTS:
        return 0.0
    across = points.v_mm[out] * sign
    if _keeps_to_a_line(points.s_mm[out], across):
        return 0.0
    smooth, u = (np.median(sliding_window_view(values, CUT_POINTS), axis=1) for values in (across, points.u_mm[out]))
    by_clear, by_all = (_depth_below(smooth, u, told) for told in (clear(u), clear(u, CLEAR_SHARE)))
    return by_all if by_all > STRAY_DEPTH_MM else by_clear


def _depth_below(smooth: Array, u_mm: Array, told: NDArray[np.bool_]) -> float:
    """Depth of the cuts below the level of the points that count, mm; 0 where too little of the edge lies below."""
    level = np.percentile(smooth[told], UNCUT_PERCENTILE)
    level_u = np.median(u_mm[told & (smooth >= level)])
    below = np.mean(smooth < level - np.maximum(CUT_DEPTH_MM, CUT_SURE_U * np.hypot(u_mm, level_u)))
    return float(level - np.percentile(smooth, DEEPEST_PERCENTILE)) if below > CUT_SHARE else 0.0


def _keeps_to_a_line(along: Array, across: Array) -> bool:
    """True when most of an edge lies on one line: what stands off it is a path astray, not a cut."""
    level = across - robust_slope(along, across) * along
    return bool(np.mean(np.abs(level - np.median(level)) < ALONG_LINE_MM) > ALONG_LINE_SHARE)
