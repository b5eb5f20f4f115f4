"""From the records of all stages to the reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keyid.blades.blade import Blade
from keyid.blades.blade_frame import Frame
from keyid.blades.cuts import Cut
from keyid.photos.photo import Photo
from keyid.profiles.profile import Blank
from keyid.rankings.ranking import Candidate, Ranking
from keyid.readings.cautions import CAUTIONS
from keyid.readings.reading import (
    BittingFacts,
    BladeFacts,
    BlankFit,
    CandidateFacts,
    Confirmation,
    NextMeasurement,
    PhotoFacts,
    Point,
    PointedFact,
    Reading,
    ScaleFacts,
    SeenCut,
)
from keyid.readings.sending import sending_of
from keyid.scales.pointed import NOTHING_POINTED, Pointed
from keyid.scales.scale import Scale
from keyid.silhouettes.silhouette import Silhouette

PROBE_MM = 0.5  # half the step over which the local scale is taken: far above rounding, far below the blade


@dataclass(frozen=True)
class Advice:
    """What follows from the ranking: the bitting, what to measure next, and what to confirm by hand."""

    bitting: BittingFacts | None
    next_measurement: NextMeasurement | None
    confirm: tuple[Confirmation, ...]


def compose(
    photo: Photo,
    scale: Scale,
    silhouette: Silhouette,
    blade: Blade,
    frame: Frame,
    cuts: tuple[Cut, ...],
    ranking: Ranking,
    advice: Advice,
    pointed: Pointed = NOTHING_POINTED,
) -> Reading:
    """Put together what the stages found; nothing is measured or decided here."""
    density = px_per_mm(frame, blade)
    sending = sending_of(photo, scale, blade, density, _step_mm(ranking))
    return Reading(
        photo=photo_facts(photo),
        scale=_scale_facts(scale, density),
        blade=_blade_facts(photo, blade, frame),
        cuts=tuple(_seen(photo, cut, frame) for cut in cuts),
        candidates=tuple(_candidate_facts(candidate, silhouette) for candidate in ranking.candidates),
        others=ranking.others,
        none_of_these=ranking.none_of_these,
        next_measurement=advice.next_measurement,
        bitting=advice.bitting,
        cautions=CAUTIONS,
        confirm=advice.confirm,
        pointed=pointed_facts(pointed, scale, blade, density),
        sending=sending,
    )


def photo_facts(photo: Photo) -> PhotoFacts:
    """What a reading tells of a photo."""
    return PhotoFacts(photo.file, photo.sha256, *photo.picture_size_px)


def _scale_facts(scale: Scale, density: float) -> ScaleFacts:
    agrees = tuple((check.reference, check.ratio, check.u) for check in scale.checks)
    return ScaleFacts(scale.reference, density, scale.camera.tilt_deg, scale.focal, agrees)


def pointed_facts(pointed: Pointed, scale: Scale, blade: Blade, density: float) -> tuple[PointedFact, ...]:
    """What a person pointed at, with the uncertainty of what was taken from the finger itself."""
    u_mm = pointed.u_px / density
    by_corners = any(one.source == "pointing" for one in scale.variations)
    stop_u = None if blade.stop == "tip" else u_mm
    told = (
        ("reference", pointed.corners_px, u_mm if by_corners else None),
        ("stop", pointed.stop_px, stop_u),
        ("tip", pointed.tip_px, u_mm),
        ("key", pointed.key_px, None),
    )
    return tuple(PointedFact(what, u) for what, where, u in told if where is not None)


def px_per_mm(frame: Frame, blade: Blade) -> float:
    """Return the photo's scale at the middle of the blade: the root of the area of a square millimetre, in pixels."""
    x, height = float(np.mean(blade.a.x_mm)), blade.width.mm / 2
    along = np.diff(frame.to_px(np.array([x - PROBE_MM, x + PROBE_MM]), np.full(2, height), "a"), axis=0)[0]
    across = np.diff(frame.to_px(np.full(2, x), height + np.array([-PROBE_MM, PROBE_MM]), "a"), axis=0)[0]
    area = abs(along[0] * across[1] - along[1] * across[0]) / (2 * PROBE_MM) ** 2
    return float(np.sqrt(area))


def _step_mm(ranking: Ranking) -> float | None:
    """A depth step of the likeliest blade."""
    roots = sorted(ranking.candidates[0].profile.roots_mm) if ranking.candidates else []
    return float(np.median(np.diff(roots))) if len(roots) > 1 else None


def _blade_facts(photo: Photo, blade: Blade, frame: Frame) -> BladeFacts:
    start, tip = photo.in_picture(frame.axis_px)
    return BladeFacts(blade.stop, blade.edges, blade.length, blade.width, (_point(start), _point(tip)))


def _seen(photo: Photo, cut: Cut, frame: Frame) -> SeenCut:
    place = photo.in_picture(frame.to_px(np.array([cut.position.mm]), np.array([cut.root.mm]), cut.edge))[0]
    return SeenCut(cut.edge, cut.position, cut.root, _point(place))


def _point(place: np.ndarray) -> Point:
    return float(place[0]), float(place[1])


def _candidate_facts(candidate: Candidate, silhouette: Silhouette) -> CandidateFacts:
    return CandidateFacts(
        profile=candidate.profile,
        probability=candidate.probability,
        group=candidate.group,
        blanks=tuple(_blank_fit(blank, silhouette.head) for blank in candidate.profile.blanks),
        speaks_for=candidate.decoded.speaks_for,
        speaks_against=candidate.decoded.speaks_against,
    )


def _blank_fit(blank: Blank, head: str) -> BlankFit:
    """Say whether the blank's head is of the kind seen; heads are changed and copied, so it is a hint only."""
    if blank.head == head:
        return BlankFit(blank, (f"the head looks like {head}",), ())
    return BlankFit(blank, (), (f"the head looks like {head}, this blank's is {blank.head}",))
