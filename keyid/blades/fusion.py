"""Several photos of one key: their blades brought into one count of stations and taken together.

Each photo is measured by itself.  Here the traces are laid over each other along the blade and in height, because every
photo finds stop and uncut lines anew, and averaged.  What one key and one kind of reference do to all photos alike (a
card's size, the blade's thickness) stays; the rest averages out.  Where photos disagree, the uncertainty grows with it
(Birge's ratio: R. T. Birge, "The calculation of errors by the method of least squares", Physical Review 40 (1932) 207),
stretches that can't both be the edge are left out, and all of it is told.
"""

from __future__ import annotations

import math
import operator
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, BudgetLine, EdgeTrace
from keyid.blades.blade_frame import Frame
from keyid.errors import PhotoError
from keyid.length import Length, in_mm
from keyid.outlines.lie import THICKNESS

Array = NDArray[np.float64]

SHARED = ("reference size", "reference thickness", THICKNESS, "height")  # errors that photos of one key have alike
SHIFTS_MM = np.linspace(-1.0, 1.0, 101)  # between two photos' stops; one seen on its rounding is 0.4 mm off
SHIFT_COST_MM = 1e-4  # of height per squared standard uncertainty of the shift: decides where edges are straight
STRAY_MM = 0.3  # differences count no more than that: another edge
APART_U = 3.0  # standard uncertainties from which on two values contradict each other (99.7 %)
APART_MM = 0.2  # heights further apart can't both be the edge: half a depth step
TOLD_MM = 0.5  # of an edge: less is a burr or the corner of the tip
OTHER_KEY_SHARE = 0.35  # of the edges: where photos disagree on more they don't show one key, or one was misread

_COLUMNS = ("length_mm", "width_mm", "height_mm", "station_mm", "stretch")  # of a budget line

Stop = Literal["shoulder", "tip", "unknown"]


@dataclass(frozen=True)
class Fused:
    """The blade of all photos together.

    Attributes
    ----------
    blade : Blade
    used : tuple of int
        Photos that it is made of, the one whose frame is nearest to its own first.
    shift_mm : float
        Station of its stop in that photo's frame.
    level_mm : tuple of float
        What that photo's heights of edge a and b are greater by.
    notes : tuple of str
        What the photos disagree on.
    """

    blade: Blade
    used: tuple[int, ...]
    shift_mm: float
    level_mm: tuple[float, float]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Laid:
    """A blade laid over the first: stations are the first one's minus ``shift_mm``, heights its minus ``level_mm``.

    ``heights_mm`` and ``u_mm`` of both edges are at the first one's stations and on its level.
    """

    blade: Blade
    shift_mm: float
    level_mm: tuple[float, float]
    heights_mm: tuple[Array, Array]
    u_mm: tuple[Array, Array]


def fuse(blades: Sequence[Blade], names: Sequence[str]) -> Fused:
    """Take the blades of several photos of one key together.

    Parameters
    ----------
    blades : sequence of Blade
        Of at least two photos.
    names : sequence of str
        The photos' names, for what is told.

    Raises
    ------
    PhotoError
        ``several-keys`` when the photos don't show one key, or one of two was misread.
    """
    order, stop = _order(blades)
    counted = [_counted_as(blades[i], blades[order[0]]) for i in order]
    laid = [_lay(counted[0], one) for one in counted]
    kept = sorted(order[i] for i in _agreeing(laid))
    if len(kept) < len(blades):
        rest = fuse([blades[i] for i in kept], [names[i] for i in kept])
        left_out = ", ".join(name for i, name in enumerate(names) if i not in kept)
        notes = (f"Left out, because it disagrees with the other photos: {left_out}.", *rest.notes)
        return replace(rest, used=tuple(kept[i] for i in rest.used), notes=notes)
    told = [names[i] for i in order]
    kinds = _kinds_apart([blades[i] for i in order], told) + _sizes_apart([one.blade for one in laid], told)
    blade, shift, level, stretches = _together(laid)
    blade = replace(blade, stop=stop, length=None if stop == "tip" else blade.length)
    return Fused(blade, tuple(order), shift, level, (*kinds, *stretches))


def _order(blades: Sequence[Blade]) -> tuple[list[int], Stop]:
    """Photos in the order of how well they stand for all, and the stop that most of them show.

    Where as many show a shoulder as a tip the stop is unknown, and stations are counted from the tip.
    """
    stops: Counter[Stop] = Counter(blade.stop for blade in blades)
    kinds = Counter((blade.stop, blade.edges) for blade in blades)
    tied = stops["tip"] == stops["shoulder"]
    order = sorted(
        range(len(blades)),
        key=lambda i: (
            -(blades[i].stop == "tip" if tied else stops[blades[i].stop]),
            -kinds[blades[i].stop, blades[i].edges],
            -(blades[i].edges or 0),
            blades[i].width.u_mm,
        ),
    )
    return order, "unknown" if tied else blades[order[0]].stop


def _counted_as(blade: Blade, first: Blade) -> Blade:
    """The blade with its stations counted from the same end as the first one's."""
    if (blade.stop == "shoulder") == (first.stop == "shoulder"):
        return blade
    length = blade.length or first.length
    if length is None:
        return blade
    a, b = (_turned(trace, length.mm) for trace in (blade.a, blade.b))
    station_u = math.hypot(blade.station_common_u_mm, length.u_mm)
    return replace(blade, stop=first.stop, length=length, a=a, b=b, station_common_u_mm=station_u)


def _turned(trace: EdgeTrace, length_mm: float) -> EdgeTrace:
    return replace(trace, x_mm=length_mm - trace.x_mm[::-1], height_mm=trace.height_mm[::-1], u_mm=trace.u_mm[::-1])


def _lay(first: Blade, blade: Blade) -> _Laid:
    """Lay a blade over the first: which edge is which, how far along, how far up."""
    if blade is first:
        both = first.a, first.b
        return _Laid(blade, 0.0, (0.0, 0.0), (both[0].height_mm, both[1].height_mm), (both[0].u_mm, both[1].u_mm))
    ways = [blade]
    if not first.edges == blade.edges == 1:
        ways.append(replace(blade, a=blade.b, b=blade.a))  # the key was turned over
    u = math.hypot(first.station_common_u_mm, blade.station_common_u_mm)
    _, n, shift = min(
        (_cost(first, way, float(d)) + SHIFT_COST_MM * float(d / u) ** 2, n, float(d))
        for n, way in enumerate(ways)
        for d in SHIFTS_MM
    )
    (a, a_u), (b, b_u) = (_at(trace, one.x_mm - shift) for one, trace in ((first.a, ways[n].a), (first.b, ways[n].b)))
    level = _level(first.a.height_mm - a), _level(first.b.height_mm - b)
    return _Laid(ways[n], shift, level, (a + level[0], b + level[1]), (a_u, b_u))


def _cost(first: Blade, blade: Blade, shift_mm: float) -> float:
    """Mean difference of both edges that is left after the better level, mm."""
    total = 0.0
    for one, other in ((first.a, blade.a), (first.b, blade.b)):
        off = one.height_mm - _at(other, one.x_mm - shift_mm)[0]
        off = off[np.isfinite(off)]
        total += float(np.mean(np.minimum(np.abs(off - np.median(off)), STRAY_MM))) if len(off) else STRAY_MM
    return total


def _at(trace: EdgeTrace, x_mm: Array) -> tuple[Array, Array]:
    """Heights of a trace and their uncertainty at stations; NaN where it shows nothing."""
    step = float(trace.x_mm[1] - trace.x_mm[0])
    seen = np.isfinite(trace.height_mm)
    if not seen.any():
        nothing = np.full(len(x_mm), np.nan)
        return nothing, nothing
    x = trace.x_mm[seen]
    after = np.clip(np.searchsorted(x, x_mm), 0, len(x) - 1)
    near = np.minimum(np.abs(x[after] - x_mm), np.abs(x[np.maximum(after - 1, 0)] - x_mm)) <= step
    values = (np.interp(x_mm, x, column[seen]) for column in (trace.height_mm, trace.u_mm))
    height, u = (np.where(near, value, np.nan) for value in values)
    return height, u


def _level(off: Array) -> float:
    off = off[np.isfinite(off)]
    return float(np.median(off)) if len(off) else 0.0


def _agreeing(laid: list[_Laid]) -> list[int]:
    """Photos that agree over most of the blade with the one that most agree with."""
    share = np.array([[_share_apart(one, other) for other in laid] for one in laid])
    agree = share <= OTHER_KEY_SHARE
    kept = np.flatnonzero(agree[np.argmax(agree.sum(axis=1))]).tolist()
    if len(kept) * 2 > len(laid):
        return [int(i) for i in kept]
    raise PhotoError(
        "several-keys",
        f"The photos differ on {100 * share.max():.0f} % of the blade's edges: they show two keys, or one was misread.",
        "Take another photo of the key, or read the photos one by one.",
    )


def _share_apart(one: _Laid, other: _Laid) -> float:
    off = np.abs(np.concatenate(one.heights_mm) - np.concatenate(other.heights_mm))
    seen = np.isfinite(off)
    return float(np.mean(off[seen] > APART_MM)) if seen.any() else 0.0


def _kinds_apart(blades: list[Blade], names: list[str]) -> list[str]:
    """Say where the photos see another stop or another number of cut edges."""
    notes = []
    for what, values in (("stop", [b.stop for b in blades]), ("cut edges", [str(b.edges or 0) for b in blades])):
        if len(set(values)) > 1:
            seen = ", ".join(f"{value} in {name}" for value, name in zip(values, names, strict=True))
            notes.append(f"The photos disagree on the {what}: {seen}.")
    return notes


def _sizes_apart(blades: list[Blade], names: list[str]) -> list[str]:
    """Say where width or length contradict each other."""
    notes = []
    for what, lengths in (("width", [b.width for b in blades]), ("length", [b.length for b in blades])):
        known = [(length, name) for length, name in zip(lengths, names, strict=True) if length is not None]
        if len(known) < 2:
            continue
        low, high = min(known, key=lambda k: k[0].mm), max(known, key=lambda k: k[0].mm)
        if high[0].mm - low[0].mm > APART_U * math.hypot(low[0].u_mm, high[0].u_mm):
            seen = " and ".join(f"{in_mm(length)} mm in {name}" for length, name in (low, high))
            notes.append(f"The photos disagree on the {what}: {seen}.")
    return notes


def _together(laid: list[_Laid]) -> tuple[Blade, float, tuple[float, float], list[str]]:
    """Average the blades; also how far that moves the first one's stop and levels, and where traces contradict."""
    first, blades = laid[0].blade, [one.blade for one in laid]
    along = _weights([b.station_common_u_mm for b in blades])
    across = _weights([b.width.u_mm for b in blades])
    shift = float(along @ [one.shift_mm for one in laid])
    level = across @ np.array([one.level_mm for one in laid])
    lengths = [b.length for b in blades]
    long = _weights([math.inf if length is None else length.u_mm for length in lengths])
    widths = np.array([b.width.mm for b in blades])
    length_mm = np.array([0.0 if length is None else length.mm for length in lengths])
    edges = [_edge(laid, n, level[n], shift) for n in (0, 1)]
    budget = _budget(blades, long, along, across)
    off = _Spread(
        length=_beyond(length_mm, long, [0.0 if x is None else x.u_mm for x in lengths]),
        width=_beyond(widths, across, [b.width.u_mm for b in blades]),
        height=max(_beyond(np.array([one.level_mm[n] for one in laid]), across, _height_u(blades)) for n in (0, 1)),
        station=_beyond(np.array([one.shift_mm for one in laid]), along, [b.station_common_u_mm for b in blades]),
    )
    budget = (*budget, BudgetLine("disagreement", off.length, off.width, off.height, off.station, 0.0))
    total = {name: math.sqrt(sum(getattr(line, name) ** 2 for line in budget)) for name in _COLUMNS}
    length = None if not long.any() else Length(float(long @ length_mm), total["length_mm"])
    blade = replace(
        first,
        length=length,
        width=Length(float(across @ widths), total["width_mm"]),
        a=edges[0][0],
        b=edges[1][0],
        height_common_u_mm=total["height_mm"],
        station_common_u_mm=total["station_mm"],
        stretch_u=total["stretch"],
        budget=budget,
        faces=tuple(face for b in blades for face in b.faces),
        tip=first.tip - [shift, float(level[0])],
    )
    return blade, shift, (float(level[0]), float(level[1])), [note for _, note in edges if note]


@dataclass(frozen=True)
class _Spread:
    """What the photos disagree beyond their uncertainties, as standard uncertainties of the mean in mm."""

    length: float
    width: float
    height: float
    station: float


def _weights(u_mm: Sequence[float]) -> Array:
    """Inverse-variance weights that add up to 1; all zero where nothing was measured."""
    weight = np.array([0.0 if math.isinf(u) else 1 / max(u, 1e-6) ** 2 for u in u_mm])
    return weight / weight.sum() if weight.any() else weight


def _height_u(blades: list[Blade]) -> list[float]:
    return [blade.height_common_u_mm for blade in blades]


def _beyond(value: Array, weight: Array, u: Sequence[float]) -> float:
    """What the spread of measured values adds to the uncertainty of their mean (Birge's ratio above 1)."""
    used = weight > 0
    if used.sum() < 2:
        return 0.0
    value, weight, sd = value[used], weight[used], np.maximum(np.asarray(u)[used], 1e-6)
    mean_u = float(np.sqrt(np.sum((weight * sd) ** 2)))
    birge2 = float(np.sum(((value - weight @ value) / sd) ** 2)) / (len(value) - 1)
    return mean_u * math.sqrt(max(birge2 - 1, 0.0))


def _edge(laid: list[_Laid], n: int, level_mm: float, shift_mm: float) -> tuple[EdgeTrace, str]:
    """One edge from all photos, on their common level and stop, and what to tell of stretches that contradict."""
    first = (laid[0].blade.a, laid[0].blade.b)[n]
    height, u = np.array([one.heights_mm[n] for one in laid]), np.array([one.u_mm[n] for one in laid])
    middle = np.nanmedian(np.where(np.isfinite(height).any(axis=0), height, 0.0), axis=0)
    apart = np.abs(height - middle) > APART_MM / (2 if len(laid) == 2 else 1)
    used = np.isfinite(height) & ~apart
    weight = np.where(used, 1 / np.where(used, u, 1.0) ** 2, 0.0)
    total = weight.sum(axis=0)
    seen = total > 0
    total = np.where(seen, total, 1.0)
    mean = (weight * np.where(used, height, 0.0)).sum(axis=0) / total
    chi2 = (weight * np.where(used, height - mean, 0.0) ** 2).sum(axis=0) / np.maximum(used.sum(axis=0) - 1, 1)
    trace = EdgeTrace(
        first.x_mm - shift_mm,
        np.where(seen, mean - level_mm, np.nan),
        np.where(seen, np.sqrt(np.maximum(chi2, 1.0) / total), np.nan),
        max((o.blade.a, o.blade.b)[n].correlation_mm for o in laid),
    )
    return trace, _told_apart(trace.x_mm, height, apart.any(axis=0), len(laid))


def _told_apart(x_mm: Array, height: Array, apart: NDArray[np.bool_], photos: int) -> str:
    """Say where the photos can't both show the edge."""
    stretch = apart.sum() * float(x_mm[1] - x_mm[0])
    if stretch < TOLD_MM:
        return ""
    there = np.where(apart, height, 0.0)
    spread = np.nanmax(there, axis=0) - np.nanmin(there, axis=0)
    at = int(np.argmax(spread))
    done = "left out there" if photos == 2 else "decided by the others there"
    return (
        f"The photos disagree on an edge over {stretch:.1f} mm, most at {x_mm[at]:.1f} mm, by {spread[at]:.2f} mm: "
        f"it was {done}."
    )


def _budget(blades: list[Blade], long: Array, along: Array, across: Array) -> tuple[BudgetLine, ...]:
    """The mean's budget, line by line: root sum of squares of independent errors, plain sum of shared ones."""
    lines: dict[tuple[str, int], BudgetLine] = {}
    for n, blade in enumerate(blades):
        number: Counter[str] = Counter()
        for line in blade.budget or (_whole(blade),):
            weighed = line.weighed(float(long[n]), float(along[n]), float(across[n]))
            key = line.source, number[line.source]
            number[line.source] += 1
            lines[key] = _added(lines[key], weighed) if key in lines else weighed
    return tuple(lines.values())


def _whole(blade: Blade) -> BudgetLine:
    """A blade's uncertainties as one line, where it tells no budget."""
    length_u = 0.0 if blade.length is None else blade.length.u_mm
    whole = length_u, blade.width.u_mm, blade.height_common_u_mm, blade.station_common_u_mm, blade.stretch_u
    return BudgetLine("measurement", *whole)


def _added(one: BudgetLine, other: BudgetLine) -> BudgetLine:
    add = operator.add if one.source in SHARED else math.hypot
    return BudgetLine(one.source, *(add(getattr(one, name), getattr(other, name)) for name in _COLUMNS))


def fused_frame(frame: Frame, fused: Fused) -> Frame:
    """From the blade frame of all photos to the pixels of the first of ``used``, whose own frame is given."""
    reduced, plan = frame.reduced, frame.plan
    upper, lower = fused.level_mm if plan.a_is_upper else fused.level_mm[::-1]
    return replace(
        frame,
        reduced=replace(
            reduced,
            stop_along=reduced.stop_along + (fused.shift_mm if plan.stop != "tip" else -fused.shift_mm),
            lower_line=reduced.lower_line + upper,
            upper_line=reduced.upper_line - lower,
        ),
    )
