"""The outline turned to the blade's own axis, and the way from the blade frame to the photo and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade_plan import HEAD_MARGIN_MM, TIP_TAPER_MM, Plan, step_s_mm
from keyid.blades.datum import clear_within, foremost, land_line, on_one_edge, robust_slope, uncut_line, within
from keyid.blades.face import Viewpoint
from keyid.outlines.lie import Lie
from keyid.outlines.outline import EdgePoints, Outline
from keyid.scales.camera import Camera

Array = NDArray[np.float64]

NEAR_STEP_MM = 0.14  # past the shoulder's blur
TIP_LAND_MM = 1.2  # the last land of a cut edge may be that close to the tip
TIP_POINTS = 7  # stations: 0.5 mm, wider than a burr, and most of a pointed tip's front


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


@dataclass(frozen=True)
class Frame:
    """The way from the blade frame to the photo, and how blurred that is where its reference lies (`Scale.blur_px`)."""

    camera: Camera
    lie: Lie
    reduced: Reduced
    plan: Plan
    blur_px: float | None = None

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
        return self._on_blade(self.lie.from_px(points_px, self.camera))

    def _on_blade(self, s_v: Array) -> Array:
        """Stations and heights above edge b's uncut line of points (..., 2) of the lie's plane."""
        r = self.reduced
        along, across = s_v[..., 0] * r.cos + s_v[..., 1] * r.sin, s_v[..., 1] * r.cos - s_v[..., 0] * r.sin
        x = along - r.stop_along if self.plan.stop != "tip" else r.stop_along - along
        return np.stack([x, across - r.lower_line if self.plan.a_is_upper else r.upper_line - across], axis=-1)

    @property
    def viewpoint(self) -> Viewpoint:
        """Where the camera stood over the blade."""
        centre = -self.camera.rotation.T @ self.camera.translation_mm - self.lie.tip_mm
        s_v = np.array([centre @ self.lie.along, centre @ self.lie.across])
        x, height = self._on_blade(s_v)
        return Viewpoint(float(x), float(height), float(centre @ self.lie.normal))

    @property
    def axis_px(self) -> Array:
        """Two pixels of the mid-line: at the stop's end (or, for a tip stop, the bow's) and at the tip."""
        r = self.reduced
        middle = 0.5 * (r.upper_line + r.lower_line)
        start = r.stop_along if self.plan.stop != "tip" else r.head_along
        points = np.array([[start, middle], [r.tip_along, middle]])
        s_v = points @ np.array([[r.cos, r.sin], [-r.sin, r.cos]])
        return self.lie.to_px(s_v, self.camera)


def reduce_outline(outline: Outline, plan: Plan) -> Reduced:
    """Turn the outline to the blade's axis and find its uncut lines and ends."""
    step = step_s_mm(outline, plan)
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
            inside = within(points, start, end + TIP_TAPER_MM - TIP_LAND_MM)
            level, u = land_line(across[inside], points.u_mm[inside], along[inside] - start)
        else:
            inside = within(points, start, end)
            level, u = uncut_line(across[inside], points.u_mm[inside])
        lines.append(sign * level)
        lines_u.append(u)
    front = on_one_edge(turned["tip"][0])
    tip_along, tip_u = foremost(turned["tip"][0][front], outline.tip.u_mm[front], TIP_POINTS)
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


def _axis_slope(outline: Outline, plan: Plan, start: float, end: float) -> float:
    """Slope of the blade's axis: of the uncut edge, else of the mid-line of two edges cut alike."""
    if plan.edges == 1:
        points = outline.lower if plan.upper_cut else outline.upper
        inside = clear_within(points, start, end)
        return robust_slope(points.s_mm[inside], points.v_mm[inside])
    upper, lower = outline.upper, outline.lower
    facing = [np.interp(upper.s_mm, lower.s_mm, values) for values in (lower.v_mm, lower.u_mm)]
    middle = 0.5 * (upper.v_mm + facing[0])
    both = EdgePoints(upper.s_mm, middle, np.hypot(upper.u_mm, facing[1]))
    inside = clear_within(both, start, end)
    return robust_slope(both.s_mm[inside], middle[inside])
