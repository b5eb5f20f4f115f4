"""Several references in one photo: each is measured by the surest, and what they agree on makes its size surer.

A ruler printed at 97 %, a sheet that the printer shrank, or a coin that is not the one told shows as a length that
comes out wrong by the other reference.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.scales import sheet
from keyid.scales.camera import Camera
from keyid.scales.pose_fit import between
from keyid.scales.ruler_marks import BANDS, Marks
from keyid.scales.ruler_rhythm import Rhythm
from keyid.scales.ruler_scale import SIZE_LOG_U, THICKNESS_MM, THICKNESS_U_MM
from keyid.scales.scale import Check, Scale, Variation
from keyid.scales.told import KINDS, NAMES, ReferenceKind, Told

Array = NDArray[np.float64]

SURENESS: tuple[ReferenceKind, ...] = ("sheet", "id1-card", "ruler", "paper", "coin")  # the surest first
APART_U = 3.0  # standard uncertainties between two references that disagree
MODEL_U = 0.004  # of a ratio: rims, shadows and wear that no reference's own uncertainty holds (coins up to 1 %)
EVEN_MM = 0.05  # off even places: marks are made and seen to 0.03 mm, grain and weave stray by a quarter of a step
LIKE = 0.1  # of its step a ruler may be off; further off it is no ruler, or has another unit
CANT_TELL_U = 0.02  # of a ratio: a check less sure than that tells nothing worth a word
PRINTED_MM = 4.0  # a card that lies nearer to the sheet's printed outline of one may be that outline

OPTIONS = {kind: option for option, kind in KINDS.items()}


@dataclass(frozen=True)
class _Ratio:
    """A reference's size by another's camera over its own, with its standard uncertainty.

    ``size_u`` is the part that the other's own size makes; ``others_u`` is all else.
    """

    value: float
    size_u: float
    others_u: float

    @property
    def u(self) -> float:
        return float(np.hypot(self.size_u, self.others_u))


def together(scales: list[Scale], told: Told) -> Scale:
    """The scale from all references: from the surest, its size weighed with what the others say of it.

    Raises PhotoError ``reference-unclear`` when two of them disagree.
    """
    best, *others = sorted(scales, key=lambda scale: SURENESS.index(scale.reference))
    for other in others:
        if not _is_printed_outline(best, other):
            best = _checked(best, other.reference, _ratio(best, other), told)
    return best


def check_ruler(best: Scale, beside: list[tuple[Marks, Rhythm]]) -> Scale:
    """The best scale with a ruler's marks weighed in, where some of those seen ``beside`` it are a ruler's.

    By another reference marks can be told from texture: they are even to some hundredths of a mm, and nearly as far
    apart as their rhythm says.  Raises PhotoError ``reference-unclear`` when they are not quite.
    """
    even = [
        (marks, rhythm)
        for marks, rhythm in beside
        if _spread_mm(best.camera, marks) < EVEN_MM and abs(_step_mm(best.camera, marks) / rhythm.step_mm - 1) < LIKE
    ]
    if not even:
        return best
    marks, rhythm = max(even, key=lambda one: len(one[0].number))
    step = _step_mm(best.camera, marks)
    value = step / rhythm.step_mm
    higher = np.log(_step_mm(best.camera, marks, THICKNESS_MM + THICKNESS_U_MM) / step)
    by_best = [(one.source, float(np.log(_step_mm(one.camera, marks) / step))) for one in best.variations]
    return _checked(best, "ruler", _ratio_of(value, by_best, [float(higher), SIZE_LOG_U]), Told())


def _checked(best: Scale, other: ReferenceKind, ratio: _Ratio, told: Told) -> Scale:
    """The best scale with another reference weighed in."""
    if ratio.u > CANT_TELL_U:
        return best
    if abs(np.log(ratio.value)) > APART_U * ratio.u:
        raise _disagreement(best.reference, other, ratio.value, told)
    weight = ratio.size_u**2 / ratio.u**2
    factor = float(ratio.value**-weight)
    left = float(np.sqrt(1 - weight))

    def moved(one: Variation) -> Variation:
        of_size = one.source == "reference size"
        camera = between(best.camera, one.camera, left) if of_size else one.camera
        return replace(one, camera=camera.farther(factor))

    variations = tuple(moved(one) for one in best.variations)
    checks = (*best.checks, Check(other, ratio.value, ratio.u))
    return replace(best, camera=best.camera.farther(factor), variations=variations, checks=checks)


def _ratio(best: Scale, other: Scale) -> _Ratio:
    """How large the other reference comes out by the best."""

    def size(camera: Camera, own: Camera) -> float:
        return _relative_size(other, camera, own)

    value = size(best.camera, other.camera)
    by_best = [(one.source, float(np.log(size(one.camera, other.camera) / value))) for one in best.variations]
    by_other = [float(np.log(size(best.camera, one.camera) / value)) for one in other.variations]
    return _ratio_of(value, by_best, by_other)


def _ratio_of(value: float, by_best: list[tuple[str, float]], by_other: list[float]) -> _Ratio:
    """A ratio with what the two references' own uncertainties change in its logarithm."""
    own = [change for source, change in by_best if source == "reference size"]
    rest = [change for source, change in by_best if source != "reference size"]
    return _Ratio(value, float(np.linalg.norm(own)), float(np.linalg.norm([*rest, *by_other, MODEL_U])))


def _step_mm(camera: Camera, marks: Marks, height_mm: float = THICKNESS_MM) -> float:
    """From one mark of a ruler to the next."""
    return float(abs(np.polyfit(marks.number, _along_mm(camera, marks, height_mm), 1)[0]))


def _spread_mm(camera: Camera, marks: Marks) -> float:
    """How far marks lie off even places, as a robust standard deviation."""
    along = _along_mm(camera, marks, THICKNESS_MM)
    off = along - np.polyval(np.polyfit(marks.number, along, 1), marks.number)
    return 1.4826 * float(np.median(np.abs(off)))


def _along_mm(camera: Camera, marks: Marks, height_mm: float) -> Array:
    """Places of the marks' middles along their ruler."""
    plan = camera.on_height(marks.place_px[:, BANDS // 2], height_mm)
    plan = plan - plan.mean(axis=0)
    return np.asarray(plan @ np.linalg.svd(plan, full_matrices=False)[2][0])


def _relative_size(other: Scale, camera: Camera, own: Camera) -> float:
    """The size of a reference as one camera sees it over that as its own does."""
    here, there = (one.on_height(other.outline_px, other.thickness_mm) for one in (own, camera))
    here, there = here - here.mean(axis=0), there - there.mean(axis=0)
    change = np.linalg.lstsq(here, there, rcond=None)[0].T
    return float(np.sqrt(abs(np.linalg.det(change))))


def _is_printed_outline(best: Scale, other: Scale) -> bool:
    """Whether what passes for a card may be the outline that the sheet shows, printed by the same printer."""
    if best.reference != "sheet" or other.reference != "id1-card":
        return False
    middle = best.camera.on_height(other.outline_px, 0.0).mean(axis=0)
    return bool(np.linalg.norm(middle - sheet.card_middle_mm()) < PRINTED_MM)


def _disagreement(best: ReferenceKind, other: ReferenceKind, ratio: float, told: Told) -> PhotoError:
    """What to tell of two references that disagree."""
    by, choose = f"By the {NAMES[best]}", f"--reference {OPTIONS[best]} or --reference {OPTIONS[other]}"
    if other == "coin" and told.coin is not None:
        diameter = told.coin.diameter_mm
        what = f"{by} the coin is {ratio * diameter:.1f} mm wide, not {diameter:g} mm."
        do = "Tell the right coin"
    elif other == "ruler":
        what, do = f"{by} a millimetre on the ruler is {ratio:.3f} mm long.", "Use a ruler that is true"
    elif best == "sheet":
        what = f"By the {NAMES[other]} the measuring sheet was printed at {100 / ratio:.1f} % of its size."
        do = "Measure the sheet's 100 mm bar and tell it with --bar"
    else:
        what, do = f"{by} the {NAMES[other]} has {100 * ratio:.1f} % of its size.", "Tell what it is"
    return PhotoError("reference-unclear", what, f"{do}, or choose one of the two with {choose}.")
