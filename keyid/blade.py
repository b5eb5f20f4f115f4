"""The blade in its own frame: stop, tip, and the two edges as traces.

Blade frame (all in mm): x runs along the blade axis, zero at the stop: from the shoulder toward the tip, or, for a tip
stop, from the tip toward the bow.  Height is the distance across the axis from the opposite edge's uncut line, on the
face that looks to the camera (its upper rim).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from keyid.camera import Camera
from keyid.ends import Step
from keyid.face import FaceLines
from keyid.length import Length
from keyid.lie import Lie, lie_variations
from keyid.outline import EdgePoints, Outline, seen_by
from keyid.rims import STRIDE
from keyid.scale import Scale
from keyid.strip import STEP_MM

Array = NDArray[np.float64]

HEAD_MARGIN_MM = 1.0  # the coarse place where the blade leaves the head is good to about a millimetre
NEAR_STEP_MM = 0.14  # past the shoulder's blur
STEP_LAND_MM = 0.32  # of land beside the shoulder: before the first cut's flank begins on almost every blade
STEP_LAND_FLAT_MM = 0.12  # its points differ by less, a rounded corner's blur among them; a flank climbs 0.3 mm
STEP_LAND_ABOVE_MM = 0.1  # so much above every other stretch: then cuts have taken all other lands away
TIP_TAPER_MM = 3.5  # the blade tapers toward its tip over about that much
TIP_LAND_MM = 1.2  # the last land of a cut edge may be that close to the tip
FEW_POINTS = 20
UNCUT_PERCENTILE = 90
CUT_DEPTH_MM = 0.3  # the deepest cuts of a key are deeper, a path led astray along a scratch seldom
CUT_POINTS = 7  # stations, 0.5 mm: a cut is wider at that depth, an edge that strays to a shadow and back is not
DEEPEST_PERCENTILE = 5
ALIKE_PART = 0.4  # two cut edges are cut about as deep; one that is cut far less is a path that strays
CUT_SURE_U = 2.0  # nor does a path that wanders where the regions are undecided make a cut
CUT_SHARE = 0.12  # of the blade: one narrow cut of four
CLEAR_U_MM = 0.06  # points less sure than that may be on another edge, and all in one direction
CLEAR_SHARE = 0.3  # of the points: fewer don't stand for the edge
SAME_STEP_MM = 0.4  # the two steps of a shoulder face each other
CLEAR_PART = 0.6  # of the clearer step's score
SLOPE_ROUNDS = 8
STRAY_MM = 0.01  # scatter of good points along a straight edge
LAND_POINTS = 7  # stations: 0.5 mm
LAND_END = 3  # stations at each end of the stretch whose levels are compared
LAND_FLAT_MM = 0.06  # a land climbs less than that over the stretch, a flank 0.3 mm
LAND_ROUGH_MM = 0.1  # a faint edge's scatter along a land; a path through shadow strays more
LAND_WINDOWS = 6  # together about 1 mm of lands: less may be a burr or a stretch of shadow
LAND_SAME_MM = 0.05
LAND_CLEARER_MM = 0.2  # a land's level in clear points against that in all: further apart they are not the same land
NEAR_COLLAR_MM = 1.5  # the path may come down from the collar over that much
ABOVE_LAND_MM = 0.15  # a burr or a stray point stands up less, or is shorter than
ABOVE_LAND_STATIONS = 12  # together 1 mm of edge: then cuts have taken the lands away, and what is flat is a root
TOP_POINTS = 3  # stations that agree on the highest metal left between cuts
ALONG_LINE_MM = 0.08  # an uncut edge keeps to its line
ALONG_LINE_SHARE = 0.7  # of the edge; cuts leave flanks and roots at several depths, and no 70 % at one
TIP_POINTS = 9  # stations: 0.7 mm, wider than a burr or a patch astray, and most of a pointed tip's front
CORRELATION_MM = 0.3  # errors along an edge go together over the smoothing and the texture beside it
LINE_U_MM = 0.015  # a fitted edge line's place: sharpening and shade move a whole edge (from the development photos)
POINT_MM = STRIDE * STEP_MM  # distance of an outline's points
RAGGED_MM = 1.0  # along a ragged edge, over which its errors go together: paths through noise stray about so long
LAND_U_MM = 0.04  # a millimetre of what cuts left of an edge (from the development photos)
TIP_UNSEEN_U_MM = 0.3  # a tip that hardly shows is still where the regions end
NO_LAND_U_MM = 0.2  # neighbouring cuts' flanks meet that far below the uncut line, more or less
TIP_U_MM = 0.055  # the tip's place (from the development photos)


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


def measure_blade(outline: Outline, scale: Scale) -> tuple[Blade, Frame]:
    """Reduce the outline to the blade in its own frame, with the uncertainties of everything that it rests on."""
    plan = _plan(outline)
    best = _reduce(outline, plan)
    varied = [_budget_line(source, best, _reduce(moved, plan)) for source, moved in _varied(outline, scale)]
    budget = (*varied, *_located(outline, plan, best))
    common = _root_sum(line.height_mm for line in budget)
    width = Length(best.width, _root_sum(line.width_mm for line in budget))
    length = None
    if plan.stop == "shoulder":
        length = Length(best.length, _root_sum(line.length_mm for line in budget))
    traces = {name: _trace(best, name, plan) for name in ("upper", "lower")}
    first, second = ("upper", "lower") if plan.a_is_upper else ("lower", "upper")
    blade = Blade(
        stop=plan.stop,
        edges=plan.edges,
        length=length,
        width=width,
        a=traces[first],
        b=traces[second],
        height_common_u_mm=common,
        station_common_u_mm=_root_sum(line.station_mm for line in budget),
        stretch_u=_root_sum(line.stretch for line in budget),
        budget=budget,
        tip=_tip(best, plan),
    )
    return blade, Frame(outline.camera, outline.lie, best, plan)


@dataclass(frozen=True)
class Frame:
    """The way from the blade frame to the photo."""

    camera: Camera
    lie: Lie
    reduced: Reduced
    plan: Plan

    def to_px(self, x_mm: Array, height_mm: Array, edge: Literal["a", "b"]) -> Array:
        """Pixels (n, 2) of points at stations and heights (measured from the edge opposite to ``edge``)."""
        upper = (edge == "a") == self.plan.a_is_upper
        r = self.reduced
        along = r.stop_along + np.asarray(x_mm) * (1.0 if self.plan.stop != "tip" else -1.0)
        across = r.lower_line + np.asarray(height_mm) if upper else r.upper_line - np.asarray(height_mm)
        s_v = np.stack([along * r.cos - across * r.sin, along * r.sin + across * r.cos], axis=-1)
        return self.lie.to_px(s_v, self.camera)

    def from_px(self, points_px: Array) -> Array:
        """Stations and heights (n, 2) above edge b's uncut line of pixels (n, 2) seen on the blade's upper face."""
        r = self.reduced
        s_v = self.lie.from_px(points_px, self.camera)
        along, across = s_v[..., 0] * r.cos + s_v[..., 1] * r.sin, s_v[..., 1] * r.cos - s_v[..., 0] * r.sin
        x = along - r.stop_along if self.plan.stop != "tip" else r.stop_along - along
        return np.stack([x, across - r.lower_line if self.plan.a_is_upper else r.upper_line - across], axis=-1)

    @property
    def axis_px(self) -> Array:
        """Two pixels of the mid-line: at the stop's end (or, for a tip stop, the bow's) and at the tip."""
        r = self.reduced
        middle = 0.5 * (r.upper_line + r.lower_line)
        start = r.stop_along if self.plan.stop != "tip" else r.head_along
        points = np.array([[start, middle], [r.tip_along, middle]])
        s_v = points @ np.array([[r.cos, r.sin], [-r.sin, r.cos]])
        return self.lie.to_px(s_v, self.camera)


@dataclass(frozen=True)
class Plan:
    """What was decided once, before anything is varied: which edge is cut, where the stop is, which points count."""

    stop: Literal["shoulder", "tip", "unknown"]
    edges: Literal[1, 2] | None
    a_is_upper: bool
    step_side: Literal["upper", "lower"] | None
    upper_cut: bool
    lower_cut: bool


@dataclass(frozen=True)
class Reduced:
    """The outline turned to the blade's own axis (along, across), in mm; ``front`` is the tip's rim, (n, 2)."""

    cos: float
    sin: float
    upper_along: Array
    upper_across: Array
    lower_along: Array
    lower_across: Array
    upper_u: Array
    lower_u: Array
    upper_line: float
    lower_line: float
    upper_line_u: float
    lower_line_u: float
    front: Array
    tip_along: float
    tip_u: float
    stop_along: float
    head_along: float

    @property
    def width(self) -> float:
        """Between the uncut lines, mm."""
        return self.upper_line - self.lower_line

    @property
    def length(self) -> float:
        """Stop to tip, mm."""
        return self.tip_along - self.stop_along


def _plan(outline: Outline) -> Plan:
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


def _step_s(outline: Outline, plan: Plan) -> float | None:
    """Station of the shoulder in the outline's frame."""
    if outline.shoulder_at is not None:
        return outline.shoulder_at.s_mm
    step = _step(outline, plan)
    return None if step is None else step.s_mm


def _step_u_mm(outline: Outline, plan: Plan) -> float:
    """Standard uncertainty of the shoulder's place; 0 where there is none."""
    step = _step(outline, plan)
    return 0.0 if step is None else step.u_mm


def _step(outline: Outline, plan: Plan) -> Step | None:
    """The step that is the shoulder."""
    if plan.step_side is None:
        return None
    return outline.upper_step if plan.step_side == "upper" else outline.lower_step


def _cut_depth(points: EdgePoints, sign: int, start_mm: float, tip_mm: float) -> float:
    """How deep an edge is cut, mm; 0 where it leaves its uncut line on no more than a small part of the blade."""
    out = _within(points, start_mm, tip_mm - TIP_TAPER_MM)
    if len(out) < FEW_POINTS:
        return 0.0
    across = points.v_mm[out] * sign
    smooth, u = (np.median(sliding_window_view(values, CUT_POINTS), axis=1) for values in (across, points.u_mm[out]))
    level = np.percentile(smooth[_clear(u)], UNCUT_PERCENTILE)
    below = np.mean(smooth < level - np.maximum(CUT_DEPTH_MM, CUT_SURE_U * u))
    if below <= CUT_SHARE or _keeps_to_a_line(points.s_mm[out], across):
        return 0.0
    return float(level - np.percentile(smooth, DEEPEST_PERCENTILE))


def _keeps_to_a_line(along: Array, across: Array) -> bool:
    """True when most of an edge lies on one line: what stands off it is a path astray, not a cut."""
    level = across - _robust_slope(along, across) * along
    return bool(np.mean(np.abs(level - np.median(level)) < ALONG_LINE_MM) > ALONG_LINE_SHARE)


def _within(points: EdgePoints, start_mm: float, end_mm: float) -> NDArray[np.int64]:
    """Indices of seen points between two stations."""
    seen = np.isfinite(points.u_mm) & np.isfinite(points.v_mm)
    return np.flatnonzero(seen & (points.s_mm > start_mm) & (points.s_mm < end_mm))


def _clear(u_mm: Array, least_share: float = 0.0) -> NDArray[np.bool_]:
    """Which points' rim is clearly told, where they are enough to go by and make up such a share; else all."""
    clear = u_mm < CLEAR_U_MM
    enough = np.count_nonzero(clear) > max(FEW_POINTS, least_share * len(u_mm))
    return np.asarray(clear) if enough else np.ones(len(u_mm), bool)


def _clear_within(points: EdgePoints, start_mm: float, end_mm: float) -> NDArray[np.int64]:
    """Indices of clearly told points between two stations that an edge's line is taken from."""
    inside = _within(points, start_mm, end_mm)
    return inside[_clear(points.u_mm[inside], CLEAR_SHARE)]


def _reduce(outline: Outline, plan: Plan) -> Reduced:
    """Turn the outline to the blade's axis and find its uncut lines and ends."""
    step = _step_s(outline, plan)
    start = outline.head_s_mm + HEAD_MARGIN_MM if step is None else step + NEAR_STEP_MM
    end = float(np.max(outline.tip.s_mm)) - TIP_TAPER_MM
    slope = _axis_slope(outline, plan, start, end)
    cos, sin = 1 / np.hypot(1, slope), slope / np.hypot(1, slope)
    turned = {}
    for name, points in (("upper", outline.upper), ("lower", outline.lower), ("tip", outline.tip)):
        turned[name] = (points.s_mm * cos + points.v_mm * sin, points.v_mm * cos - points.s_mm * sin)
    lines, lines_u = [], []
    for name, points, sign, cut in (
        ("upper", outline.upper, 1, plan.upper_cut),
        ("lower", outline.lower, -1, plan.lower_cut),
    ):
        along, across = turned[name][0], turned[name][1] * sign
        if cut:
            inside = _within(points, start, end + TIP_TAPER_MM - TIP_LAND_MM)
            level, u = _land(across[inside], points.u_mm[inside], along[inside] - start)
        else:
            inside = _clear_within(points, start, end)
            level, u = _uncut_line(across[inside], points.u_mm[inside])
        lines.append(sign * level)
        lines_u.append(u)
    tip_along, tip_u = _foremost(turned["tip"][0], outline.tip.u_mm, TIP_POINTS)
    stop_along = tip_along
    if outline.shoulder_at is not None:
        stop_along = outline.shoulder_at.s_mm * cos + outline.shoulder_at.v_mm * sin
    elif step is not None:
        edge = lines[0] if plan.step_side == "upper" else lines[1]
        stop_along = (step + edge * sin) / cos
    return Reduced(
        cos,
        sin,
        *turned["upper"],
        *turned["lower"],
        outline.upper.u_mm,
        outline.lower.u_mm,
        lines[0],
        lines[1],
        lines_u[0],
        lines_u[1],
        np.column_stack(turned["tip"]),
        tip_along,
        tip_u,
        stop_along,
        outline.head_s_mm * cos,
    )


def _uncut_line(across: Array, u_mm: Array) -> tuple[float, float]:
    """Place of an uncut edge, with its standard uncertainty: more where it was seen ragged, hardly unlike the table.

    It is no surer than its points, which may all have been taken from the same wrong edge.
    """
    middle = float(np.median(across))
    spread = 1.4826 * float(np.median(np.abs(across - middle)))
    ragged_u = 1.2533 * spread / math.sqrt(max(len(across) * POINT_MM / RAGGED_MM, 1.0))
    return middle, max(math.hypot(LINE_U_MM, ragged_u), float(np.median(u_mm)))


def _axis_slope(outline: Outline, plan: Plan, start: float, end: float) -> float:
    """Slope of the blade's axis: of the uncut edge, else of the mid-line of two edges cut alike."""
    if plan.edges == 1:
        points = outline.lower if plan.upper_cut else outline.upper
        inside = _clear_within(points, start, end)
        return _robust_slope(points.s_mm[inside], points.v_mm[inside])
    upper, lower = outline.upper, outline.lower
    facing = [np.interp(upper.s_mm, lower.s_mm, values) for values in (lower.v_mm, lower.u_mm)]
    middle = 0.5 * (upper.v_mm + facing[0])
    both = EdgePoints(upper.s_mm, middle, np.hypot(upper.u_mm, facing[1]))
    inside = _clear_within(both, start, end)
    return _robust_slope(both.s_mm[inside], middle[inside])


def _robust_slope(x: Array, y: Array) -> float:
    """Slope of a line through points of which some are astray (iteratively reweighted, Cauchy weights)."""
    if len(x) < FEW_POINTS:
        return 0.0
    weight = np.ones(len(x))
    slope, level = 0.0, float(np.median(y))
    for _ in range(SLOPE_ROUNDS):
        residual = y - level - slope * x
        scale = max(1.48 * float(np.median(np.abs(residual - np.median(residual)))), STRAY_MM)
        weight = 1 / (1 + (residual / (2 * scale)) ** 2)
        slope, level = np.polyfit(x, y, 1, w=np.sqrt(weight))
    return float(slope)


def _land(across: Array, u_mm: Array, from_stop: Array) -> tuple[float, float]:
    """Level of the uncut lands of a cut edge, with its standard uncertainty.

    It is the highest at which enough of the edge runs straight along the blade, or that of the stretch beside the
    shoulder where this is still higher: cuts may have taken all other lands away.  Where they took that one too, the
    highest metal left is the best that can be told.
    """
    land, surer = _common_level(across), _common_level(across[_clear(u_mm)])
    land = surer if abs(surer - land) < LAND_CLEARER_MM else land
    u = _land_u(u_mm[np.abs(across - land) < LAND_SAME_MM])
    beside = across[(from_stop >= 0) & (from_stop < STEP_LAND_MM)]
    if len(beside) and np.ptp(beside) < STEP_LAND_FLAT_MM and np.median(beside) > land + STEP_LAND_ABOVE_MM:
        return float(np.median(beside)), LAND_U_MM
    away = across[(u_mm < CLEAR_U_MM) & (from_stop > NEAR_COLLAR_MM)]
    if np.count_nonzero(away > land + ABOVE_LAND_MM) >= ABOVE_LAND_STATIONS:
        return _foremost(away, np.zeros(len(away)), TOP_POINTS)[0], NO_LAND_U_MM
    return land, u


def _land_u(u_mm: Array) -> float:
    """Standard uncertainty of a level from the points that lie on it: less sure the less of the edge they are."""
    if len(u_mm) == 0:
        return LAND_U_MM
    ragged = LAND_U_MM / math.sqrt(len(u_mm) * POINT_MM / RAGGED_MM)
    return max(math.hypot(LINE_U_MM, ragged), float(np.median(u_mm)))


def _common_level(across: Array) -> float:
    """The highest level at which enough of an edge runs straight along the blade."""
    if len(across) < LAND_POINTS:
        return float(np.max(across))
    windows = sliding_window_view(across, LAND_POINTS)
    climb = np.abs(windows[:, -LAND_END:].mean(axis=1) - windows[:, :LAND_END].mean(axis=1))
    flat = (climb < LAND_FLAT_MM) & (np.ptp(windows, axis=1) < LAND_ROUGH_MM)
    levels = np.sort(np.median(windows, axis=1)[flat])[::-1]
    for least in (LAND_WINDOWS, 1):
        for top in levels:
            same = levels[(levels <= top) & (levels > top - LAND_SAME_MM)]
            if len(same) >= least:
                return float(np.median(same))
    return float(np.percentile(across, 99))


def _foremost(along: Array, u_mm: Array, count: int) -> tuple[float, float]:
    """The foremost metal of a tip or an edge: the greatest value that several neighbouring points share, and its u."""
    if len(along) < count:
        first = int(np.argmax(along))
        return float(along[first]), float(u_mm[first])
    shared = np.median(sliding_window_view(along, count), axis=1)
    first = int(np.argmax(shared))
    return float(shared[first]), float(np.median(u_mm[first : first + count]))


def _trace(reduced: Reduced, name: str, plan: Plan) -> EdgeTrace:
    """One edge as heights over stations from the stop."""
    upper = name == "upper"
    along = reduced.upper_along if upper else reduced.lower_along
    across = reduced.upper_across if upper else reduced.lower_across
    u = reduced.upper_u if upper else reduced.lower_u
    height = across - reduced.lower_line if upper else reduced.upper_line - across
    x = reduced.tip_along - along if plan.stop == "tip" else along - reduced.stop_along
    last = reduced.tip_along - reduced.head_along if plan.stop == "tip" else reduced.tip_along - reduced.stop_along
    seen = np.isfinite(u)
    height, u = np.where(seen, height, np.nan), np.where(seen, u, np.nan)
    inside = (x > -1e-9) & (x < last)
    order = np.argsort(x[inside])
    return EdgeTrace(*_evenly(x[inside][order], height[inside][order], u[inside][order]), CORRELATION_MM)


def _evenly(x_mm: Array, height_mm: Array, u_mm: Array) -> tuple[Array, Array, Array]:
    """The same edge at evenly spaced stations.

    The points were even along the frame that the outline was measured in; the blade's axis is turned against it, so
    that they lie closer on flanks that rise and further apart on those that fall.
    """
    seen = np.isfinite(u_mm)
    if seen.sum() < 2:
        return x_mm, height_mm, u_mm
    even = np.arange(x_mm[0], x_mm[-1] + 1e-9, POINT_MM)
    after = np.clip(np.searchsorted(x_mm, even), 1, len(x_mm) - 1)
    nearest = np.where(even - x_mm[after - 1] < x_mm[after] - even, after - 1, after)
    height, u = (np.interp(even, x_mm[seen], column[seen]) for column in (height_mm, u_mm))
    return even, np.where(seen[nearest], height, np.nan), np.where(seen[nearest], u, np.nan)


def _tip(reduced: Reduced, plan: Plan) -> Array:
    """The tip's rim as stations and heights above edge b's uncut line."""
    along, across = reduced.front.T
    x = reduced.tip_along - along if plan.stop == "tip" else along - reduced.stop_along
    return np.column_stack([x, across - reduced.lower_line if plan.a_is_upper else reduced.upper_line - across])


def _varied(outline: Outline, scale: Scale) -> list[tuple[str, Outline]]:
    """The outline as it would be measured if one input were one standard uncertainty off."""
    moved = [(v.source, v.camera, outline.inputs) for v in scale.variations]
    moved += [
        (v.source, outline.camera, v.inputs)
        for v in lie_variations(outline.inputs, outline.head, outline.thickness_u_mm)
    ]
    return [(source, seen_by(outline, camera, inputs)) for source, camera, inputs in moved]


def _budget_line(source: str, best: Reduced, other: Reduced) -> BudgetLine:
    """What one variation changes."""
    heights = np.concatenate(
        [
            (other.upper_across - other.lower_line) - (best.upper_across - best.lower_line),
            (other.upper_line - other.lower_across) - (best.upper_line - best.lower_across),
        ]
    )
    span = max(best.tip_along - best.head_along, 1.0)
    other_span = other.tip_along - other.head_along
    return BudgetLine(
        source,
        other.length - best.length,
        other.width - best.width,
        float(np.sqrt(np.nanmean(heights**2))),
        0.0,
        (other_span - span) / span,
    )


def _located(outline: Outline, plan: Plan, reduced: Reduced) -> tuple[BudgetLine, ...]:
    """The uncertainty of the datum lines and ends from locating edges, and from pointing at ends."""
    bloom = outline.bloom_u_mm
    tip = 0.0 if outline.tip_at is not None else math.hypot(TIP_U_MM, min(reduced.tip_u, TIP_UNSEEN_U_MM), bloom)
    stop = 0.0 if outline.shoulder_at is not None else math.hypot(_step_u_mm(outline, plan), bloom)
    lines = (reduced.upper_line_u, reduced.lower_line_u)
    uncut = [u for u, cut in zip(lines, (plan.upper_cut, plan.lower_cut), strict=True) if not cut]
    apart = 2 * bloom  # both edges are pushed outward
    width, height = _root_sum((*lines, apart)), math.hypot(max(uncut or lines), apart)
    located = _ends_line("edges", plan, stop, tip, width, height)
    by_hand = [0.0 if at is None else at.u_mm for at in (outline.shoulder_at, outline.tip_at)]
    return (located, _ends_line("pointing", plan, *by_hand)) if any(by_hand) else (located,)


def _ends_line(
    source: str, plan: Plan, stop_mm: float, tip_mm: float, width_mm: float = 0.0, height_mm: float = 0.0
) -> BudgetLine:
    """What the uncertain places of stop and tip do."""
    shoulder = plan.stop == "shoulder"
    length = float(np.hypot(stop_mm, tip_mm)) if shoulder else tip_mm
    return BudgetLine(source, length, width_mm, height_mm, stop_mm if shoulder else tip_mm, 0.0)


def _root_sum(parts: Iterable[float]) -> float:
    """Root of the sum of squares."""
    return float(np.sqrt(sum(part**2 for part in parts)))
