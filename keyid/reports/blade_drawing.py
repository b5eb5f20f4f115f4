"""The measured blade drawn to scale, and under each cut a ladder: its codes as rungs, the measured root among them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.length import COVERAGE, MM_PER_INCH
from keyid.profiles.profile import Profile
from keyid.readings.reading import BittingCut, Reading
from keyid.reports.drawing import INK, Drawing, Line, Place, Words

Array = NDArray[np.float64]

WIDEST_MM = 186.0  # as wide as A4 between margins of 12 mm
LARGEST_SCALE = 6
LEFT_MM, RIGHT_MM, TOP_MM = 14.0, 14.0, 12.0
STOP_BEYOND_MM = 4.0  # the stop's line reaches that far out of the blade, on paper
LEAST_METAL_PART = 0.15  # of the width, between the edges; where less is left the edges were lost in the head
LADDER_MM = 27.0  # height of a ladder on paper
LADDER_GAP_MM = 12.0  # under the blade
LADDER_STEPS = 3.4  # depth steps that a ladder shows
WIDEST_LADDER_MM = 15.0
LETTERS_MM, SMALL_MM = 4.4, 3.2
LABEL_MM = 5.6  # over a ladder: clear of the number on a rung at its very top
DIAMOND_MM = 1.1
BAR_MM = 10.0

LEGEND = "Rungs: codes. Diamond: measured root, bar: its 95 % limits; below in mm and thou."

METAL = "#e9edf0"
STOP = "#c04a00"
CODE = "#0072b2"
MEASURED = "#b0004e"  # told apart from the codes' blue with any kind of colour blindness
PALE = "#8b949e"


@dataclass(frozen=True)
class _Plan:
    """How the blade lies on the page: tip to the right, edge a up; ``x``, ``y`` turn mm of the key to mm of paper."""

    reading: Reading
    blade: Blade
    scale: int
    length_mm: float

    @property
    def bottom(self) -> float:
        return TOP_MM + self.blade.width.mm * self.scale

    def x(self, station_mm: Array | float) -> Array:
        """Page x of stations measured from the stop."""
        at = np.asarray(station_mm) * self.scale
        return LEFT_MM + (self.length_mm * self.scale - at if self.blade.stop == "tip" else at)

    def y(self, height_mm: Array | float) -> Array:
        """Page y of heights above the lower edge."""
        return TOP_MM + (self.blade.width.mm - np.asarray(height_mm)) * self.scale


def draw_blade(reading: Reading, blade: Blade, profile: Profile | None) -> Drawing:
    """Draw the blade as it was measured; with a bitting and its profile, a ladder under each cut."""
    length = float(blade.a.x_mm[-1])
    scale = max(1, min(LARGEST_SCALE, int((WIDEST_MM - LEFT_MM - RIGHT_MM) / length)))
    plan = _Plan(reading, blade, scale, length)
    shapes: list[Line | Words] = [*_edges(plan), *_ends(plan)]
    height = plan.bottom + 14.0
    if reading.bitting is not None and profile is not None:
        shapes += _ladders(plan, profile)
        height += LADDER_GAP_MM + LADDER_MM + 9.0
        shapes += [Words(LEFT_MM, height - 9.5, LEGEND, SMALL_MM)]
    else:
        shapes += _roots(plan)
    bar = BAR_MM * scale
    base = height - 4.0
    shapes += [Line(((LEFT_MM, base), (LEFT_MM + bar, base)), INK, 0.8)]
    shapes += [Words(LEFT_MM + bar + 2.0, base, f"{BAR_MM:.0f} mm of the key; drawn {scale} : 1", SMALL_MM)]
    return Drawing(LEFT_MM + length * scale + RIGHT_MM, height, tuple(shapes), _title(plan))


def _title(plan: _Plan) -> str:
    cuts = plan.reading.bitting.cuts if plan.reading.bitting else plan.reading.cuts
    return f"The blade as measured, {plan.blade.width.mm:.2f} mm wide, with {len(cuts)} cuts, tip to the right"


def _edges(plan: _Plan) -> Iterator[Line]:
    """The metal between the two edges, and each edge where it was seen."""
    a, b, width = plan.blade.a, plan.blade.b, plan.blade.width.mm
    left_mm = a.height_mm + np.interp(a.x_mm, b.x_mm, b.height_mm) - width
    lost = left_mm < LEAST_METAL_PART * width
    upper = _seen(plan, a, np.where(lost, np.nan, a.height_mm))
    lower = _seen(plan, b, np.where(np.interp(b.x_mm, a.x_mm, lost) > 0.5, np.nan, width - b.height_mm))
    metal = [place for stretch in upper for place in stretch]
    metal += [place for stretch in reversed(lower) for place in reversed(stretch)]
    if metal:
        yield Line(tuple(metal), "none", closed=True, fill=METAL)
    ends = (LEFT_MM, LEFT_MM + plan.length_mm * plan.scale)
    for height in (0.0, plan.blade.width.mm):
        y = float(plan.y(height))
        yield Line(((ends[0], y), (ends[1], y)), PALE, 0.2, dash_mm=1.0)
    for stretch in (*upper, *lower):
        yield Line(tuple(stretch), INK, 0.45)


def _seen(plan: _Plan, trace: EdgeTrace, height_mm: Array) -> list[list[Place]]:
    """Stretches of an edge on the page, from left to right, broken where nothing was seen."""
    x, y = plan.x(trace.x_mm), plan.y(height_mm)
    stretches: list[list[Place]] = [[]]
    for index in range(len(x)):
        if np.isfinite(height_mm[index]):
            stretches[-1].append((float(x[index]), float(y[index])))
        elif stretches[-1]:
            stretches.append([])
    kept = [stretch for stretch in stretches if len(stretch) > 1]
    return [stretch[::-1] for stretch in reversed(kept)] if plan.blade.stop == "tip" else kept


def _ends(plan: _Plan) -> Iterator[Line | Words]:
    """The stop as a thick line with its name, and which end is which."""
    if plan.blade.stop != "unknown":
        x, top = float(plan.x(0.0)), TOP_MM - STOP_BEYOND_MM
        yield Line(((x, top), (x, plan.bottom + STOP_BEYOND_MM)), STOP, 0.8)
        yield Words(x, top - 2.5, f"stop: {plan.blade.stop}", SMALL_MM, "middle", STOP)
    middle = float(plan.y(plan.blade.width.mm / 2))
    yield Words(LEFT_MM - 1.5, middle, "bow", SMALL_MM, "end", PALE)
    yield Words(LEFT_MM + plan.length_mm * plan.scale + 1.5, middle, "tip", SMALL_MM, "start", PALE)


def _roots(plan: _Plan) -> Iterator[Line | Words]:
    """Each root that was found without a profile, with the metal left there."""
    for cut in plan.reading.cuts:
        x = float(plan.x(cut.position.mm))
        height = cut.root.mm if cut.edge == "a" else plan.blade.width.mm - cut.root.mm
        outside = TOP_MM - 3.0 if cut.edge == "a" else plan.bottom + 3.0
        yield Line(((x, float(plan.y(height))), (x, outside)), MEASURED, 0.3)
        yield Words(x, outside + (-2.0 if cut.edge == "a" else 2.0), f"{cut.root.mm:.2f}", SMALL_MM, "middle", MEASURED)


def _ladders(plan: _Plan, profile: Profile) -> Iterator[Line | Words]:
    """One ladder a cut, under its place on the blade, all at one scale."""
    bitting = plan.reading.bitting
    assert bitting is not None  # draw_blade has looked
    places = sorted(float(plan.x(cut.position.mm)) for cut in bitting.cuts)
    spacing = min(np.diff(places), default=WIDEST_LADDER_MM)
    half = min(WIDEST_LADDER_MM, 0.86 * float(spacing)) / 2
    top = plan.bottom + LADDER_GAP_MM
    for number, cut in enumerate(bitting.cuts, 1):
        x = float(plan.x(cut.position.mm))
        yield Words(x, top - LABEL_MM, f"cut {number}" if half > 5 else str(number), SMALL_MM, "middle", PALE)
        if cut.code == "?":
            yield Words(x, top + LADDER_MM / 2, "?", LETTERS_MM * 1.5, "middle", MEASURED)
            continue
        yield Line(((x, float(plan.y(cut.root.mm))), (x, top - LABEL_MM - 2.0)), PALE, 0.15, dash_mm=0.7)
        yield from _ladder(cut, profile, x, half, top)
        yield Words(x, top + LADDER_MM + 2.7, f"{cut.root.mm:.2f}", SMALL_MM, "middle", MEASURED)
        yield Words(x, top + LADDER_MM + 6.5, f"{cut.root.mm / MM_PER_INCH * 1000:.0f}", SMALL_MM, "middle", MEASURED)


def _ladder(cut: BittingCut, profile: Profile, x: float, half: float, top: float) -> Iterator[Line | Words]:
    """The codes around one root as rungs, the root as a diamond with its 95 % limits."""
    roots = profile.roots_mm
    step = (roots[0] - roots[-1]) / (len(roots) - 1) if len(roots) > 1 else 0.5
    scale = LADDER_MM / (LADDER_STEPS * step)
    middle = top + LADDER_MM / 2
    yield Line(((x, top), (x, top + LADDER_MM)), PALE, 0.15)
    for code, root in zip(profile.codes, roots, strict=True):
        y = middle - (root - cut.root.mm) * scale
        if not top <= y <= top + LADDER_MM:
            continue
        chosen = code == cut.code
        width, length = (0.9, half) if chosen else (0.3, 0.6 * half)
        yield Line(((x - length, y), (x + length, y)), CODE, width)
        size = LETTERS_MM if chosen else SMALL_MM
        yield Words(x - length - 0.4, y - 0.65 * size, code, size, "start", CODE)
    limit = min(COVERAGE * cut.root.u_mm * scale, LADDER_MM / 2)
    yield Line(((x, middle - limit), (x, middle + limit)), MEASURED, 0.6)
    diamond = ((x - DIAMOND_MM, middle), (x, middle - DIAMOND_MM), (x + DIAMOND_MM, middle), (x, middle + DIAMOND_MM))
    yield Line(diamond, MEASURED, 0.2, closed=True, fill=MEASURED)
