"""From the outline to the measured blade: its edges as traces from the stop, and what its uncertainties are made of."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, BudgetLine, EdgeTrace
from keyid.blades.blade_frame import Frame, Reduced, reduce_outline
from keyid.blades.blade_plan import Plan, plan_blade, step_u_mm
from keyid.blades.datum import POINT_MM
from keyid.length import Length
from keyid.outlines.lie import lie_variations
from keyid.outlines.outline import Outline, seen_by
from keyid.scales.scale import Scale

Array = NDArray[np.float64]

CORRELATION_MM = 0.3  # errors along an edge go together over the smoothing and the texture beside it
TIP_UNSEEN_U_MM = 0.3  # a tip that hardly shows is still where the regions end
TIP_U_MM = 0.055  # the tip's place (from the development photos)


def measure_blade(outline: Outline, scale: Scale) -> tuple[Blade, Frame]:
    """Reduce the outline to the blade in its own frame, with the uncertainties of everything that it rests on."""
    plan = plan_blade(outline)
    best = reduce_outline(outline, plan)
    varied = [_budget_line(source, best, reduce_outline(moved, plan)) for source, moved in _varied(outline, scale)]
    budget = (*varied, *_located(outline, plan, best))
    common = root_sum(line.height_mm for line in budget)
    width = Length(best.width, root_sum(line.width_mm for line in budget))
    length = None
    if plan.stop == "shoulder":
        length = Length(best.length, root_sum(line.length_mm for line in budget))
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
        station_common_u_mm=root_sum(line.station_mm for line in budget),
        stretch_u=root_sum(line.stretch for line in budget),
        budget=budget,
        tip=_tip(best, plan),
        thickness=Length(outline.inputs.thickness_mm, outline.thickness_u_mm),
    )
    return blade, Frame(outline.camera, outline.lie, best, plan, scale.blur_px)


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
    stop = 0.0 if outline.shoulder_at is not None else math.hypot(step_u_mm(outline, plan), bloom)
    lines = (reduced.upper_line_u, reduced.lower_line_u)
    uncut = [u for u, cut in zip(lines, (plan.upper_cut, plan.lower_cut), strict=True) if not cut]
    apart = 2 * bloom  # both edges are pushed outward
    width, height = root_sum((*lines, apart)), math.hypot(max(uncut or lines), apart)
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


def root_sum(parts: Iterable[float]) -> float:
    """Root of the sum of squares."""
    return float(np.sqrt(sum(part**2 for part in parts)))
