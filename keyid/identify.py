"""The one call that does all of it: from a photo file to the reading."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, Protocol, TypeVar, TypeVarTuple, cast

from keyid.blades.blade import Blade
from keyid.blades.blade_frame import Frame
from keyid.blades.blade_measure import measure_blade
from keyid.blades.cuts import find_cuts
from keyid.blades.face_lines import find_face_lines
from keyid.blades.fusion import fuse, fused_frame
from keyid.blades.unscaled import find_by_width, measure_in, of_blank, own_width, scale_note
from keyid.errors import PhotoError, PhotoErrorCode
from keyid.outlines.outline import LaidStrip, holds, lay_strip, trace_outline
from keyid.photos.photo import Photo, load_photo
from keyid.profiles.library import Library, load_library
from keyid.rankings.known import NOTHING_KNOWN, Known
from keyid.rankings.ranking import Ranking, rank
from keyid.readings.bitting import NONE_MAX_P, confirm_list, next_measurement, read_bitting
from keyid.readings.clashes import clashes
from keyid.readings.compose import Advice, compose, photo_facts, pointed_facts, px_per_mm
from keyid.readings.double_check import double_check, profile_of_blank
from keyid.readings.photo_advice import advise
from keyid.readings.reading import PointedFact, Reading
from keyid.readings.remark import Remark
from keyid.readings.shape_ranking import of_unknown_size, rank_by_shape
from keyid.readings.whole_key import whole_key
from keyid.scales.pointed import NOTHING_POINTED, Point, Pointed
from keyid.scales.reference import find_scale
from keyid.scales.scale import Scale
from keyid.scales.sharpness import check_photo, with_blur
from keyid.scales.told import ReferenceKind, Told
from keyid.silhouettes.silhouette import Silhouette, find_silhouette, lies_on

Stage = Literal["photo", "scale", "key", "strip", "edges", "blade", "face", "blades"]
"""What takes time: decoding, the reference, where the key lies, the strip along its blade, its edges, measuring, lines
along its face, comparing with known blades."""

Made = TypeVar("Made")
Inputs = TypeVarTuple("Inputs")


class Runner(Protocol):
    """Carries out the stages of a reading: one that waits with a person can tell how far it is, and keep results."""

    def __call__(self, stage: Stage, step: Callable[[*Inputs], Made], *inputs: *Inputs) -> Made:
        """Return ``step(*inputs)``; nothing else than its inputs has a part in a stage's result."""


def plainly(stage: Stage, step: Callable[[*Inputs], Made], *inputs: *Inputs) -> Made:
    """Carry out a stage and keep nothing."""
    return step(*inputs)


@dataclass(frozen=True)
class Question:
    """What is asked beside the photo.

    Attributes
    ----------
    known : Known
        What is known of the codes.
    blank : str or None
        A blank (or blade) to be double-checked.
    working_keys : int or None
        How many working keys the customer still has.
    without_scale : bool
        Nothing of known size lies in the photo: take the blank's width for the scale, or rank by proportions alone.
    """

    known: Known = NOTHING_KNOWN
    blank: str | None = None
    without_scale: bool = False
    working_keys: int | None = None


PLAIN_QUESTION = Question()
NOTHING_TOLD = Told()

Measured = tuple[Photo, Scale, Silhouette, Blade, Frame]
"""What was measured in one photo."""


@dataclass(frozen=True)
class Examination:
    """A reading with the records that it was made from, for drawing and for a closer look."""

    photo: Photo
    scale: Scale
    silhouette: Silhouette
    blade: Blade
    frame: Frame
    reading: Reading


def read(
    photo_path: Path | str,
    *,
    profiles: Library | Path | str | None = None,
    skip_bad: bool = False,
    told: Told | None = None,
) -> Reading:
    """Identify the key in a photo.

    Parameters
    ----------
    photo_path : Path or str
        The photo file.
    profiles : Library or Path or str, optional
        The library, or a folder of profile files; default: the library shipped with keyid.
    skip_bad : bool
        Leave broken profile files out instead of raising for the first.
    told : Told, optional
        What is known of the photo, such as the coin that lies in it.

    Returns
    -------
    Reading

    Raises
    ------
    PhotoError
        When the photo can't be measured; its ``code``, ``message`` and ``advice`` say why and what to do.
    ProfileError
        When a profile file is broken.
    """
    return examine(Path(photo_path), profiles=profiles, skip_bad=skip_bad, told=told).reading


def examine(
    source: Path | Photo,
    *,
    profiles: Library | Path | str | None = None,
    skip_bad: bool = False,
    told: Told | None = None,
    question: Question = PLAIN_QUESTION,
    warn: Callable[[str], None] | None = None,
    run: Runner = plainly,
) -> Examination:
    """Identify the key in a photo, as `read` does, and keep what the reading was made from.

    ``source`` is the file or the photo read from it.  ``question`` tells what is known of the codes and which blank is
    to be double-checked; ``warn`` is called with a sentence for every profile file that was left out; ``run`` carries
    out the stages.
    """
    library = _library(profiles, skip_bad, warn)
    told = told or NOTHING_TOLD
    if question.without_scale:
        return _without_scale(source, library, told, question, run)
    return _examined(measure(source, told, run), library, question, run, told.pointed)


def examine_together(
    sources: Sequence[Path | Photo],
    *,
    profiles: Library | Path | str | None = None,
    skip_bad: bool = False,
    told: Told | None = None,
    pointed: Sequence[Pointed] = (),
    question: Question = PLAIN_QUESTION,
    warn: Callable[[str], None] | None = None,
    run: Runner = plainly,
) -> Examination:
    """Identify the one key that several photos show, from all of them together.

    Parameters as `examine`; ``told`` is true of all photos, and ``pointed`` is what was pointed at in each, in their
    order, as far as it goes.  Pixels and pictures are of the first photo of the reading, which need not be the first
    that was given.  A photo that is given twice counts once.

    Raises
    ------
    PhotoError
        When one of the photos can't be measured, or they don't show the same key.
    """
    library = _library(profiles, skip_bad, warn)
    photos = [_named(source, lambda source: _loaded(source, run)) for source in sources]
    distinct, copies = _without_copies(photos)
    points = [pointed[n] if n < len(pointed) else NOTHING_POINTED for n in distinct]
    tolds = [replace(told or NOTHING_TOLD, pointed=one) for one in points]
    measured = [measure_named(photos[n], one, run) for n, one in zip(distinct, tolds, strict=True)]
    if len(measured) == 1:
        return _noted(_examined(measured[0], library, question, run, points[0]), copies)
    fused = fuse([m[3] for m in measured], [m[0].file for m in measured])
    photo, scale, silhouette, _, frame = measured[fused.used[0]]
    together = (photo, scale, silhouette, fused.blade, fused_frame(frame, fused))
    examination = _examined(together, library, question, run)
    further = tuple(photo_facts(measured[i][0]) for i in fused.used[1:])
    facts = tuple(fact for one, there in zip(measured, points, strict=True) for fact in pointed_in(one, there))
    examination = replace(examination, reading=replace(examination.reading, further_photos=further, pointed=facts))
    return _noted(examination, (*copies, *fused.notes))


def _without_copies(photos: Sequence[Photo]) -> tuple[list[int], tuple[str, ...]]:
    """Which photos to use, and a note for each that is another one's copy: no second, independent look at the key."""
    first: dict[str, int] = {}
    notes = []
    for number, photo in enumerate(photos):
        original = photos[first.setdefault(photo.sha256, number)]
        if original is not photo:
            notes.append(f"{photo.file} is the same photo as {original.file}: it counts once.")
    return list(first.values()), tuple(notes)


def pointed_in(measured: Measured, pointed: Pointed) -> tuple[PointedFact, ...]:
    """What was pointed at in one of several photos, named with it."""
    photo, scale, _, blade, frame = measured
    facts = pointed_facts(pointed, scale, blade, px_per_mm(frame, blade))
    return tuple(replace(fact, what=f"{fact.what} in {photo.file}") for fact in facts)


def measure_named(source: Path | Photo, told: Told | None, run: Runner) -> Measured:
    """Measure one of several photos; an error says which."""
    return _named(source, lambda source: measure(source, told, run))


def _named(source: Path | Photo, step: Callable[[Path | Photo], Made]) -> Made:
    """Take a step with one of several photos; an error says with which."""
    try:
        return step(source)
    except PhotoError as error:
        name = source.file if isinstance(source, Photo) else source.name
        raise PhotoError(cast(PhotoErrorCode, error.code), f"{name}: {error.message}", error.advice) from error


def _library(profiles: Library | Path | str | None, skip_bad: bool, warn: Callable[[str], None] | None) -> Library:
    library = profiles if isinstance(profiles, Library) else load_library(_folder(profiles), skip_bad)
    if warn is not None:
        for left_out in library.skipped:
            warn(f"Left out: {left_out}")
    return library


def _examined(
    measured: Measured, library: Library, question: Question, run: Runner, pointed: Pointed = NOTHING_POINTED
) -> Examination:
    """From the measured blade to the reading."""
    blade = measured[3]
    asked = None if question.blank is None else profile_of_blank(library.profiles, question.blank)
    ranking = run("blades", rank, blade, library.profiles, question.known, asked)
    examination = _composed(measured, ranking, question, pointed)
    if question.blank is not None and asked is not None:
        checked = double_check(ranking, library.profiles, question.blank)
        return replace(examination, reading=replace(examination.reading, checked=checked))
    return examination


def _composed(
    measured: Measured, ranking: Ranking, question: Question, pointed: Pointed = NOTHING_POINTED
) -> Examination:
    photo, scale, silhouette, blade, frame = measured
    bitting = read_bitting(ranking, blade, question.known)
    advice = Advice(bitting, next_measurement(ranking, blade), confirm_list(ranking, bitting, blade))
    reading = compose(photo, scale, silhouette, blade, frame, find_cuts(blade), ranking, advice, pointed)
    remarks = advise(photo, scale, silhouette, blade)
    alike = [c for c in reading.candidates if c.group == reading.candidates[0].group]
    told: tuple[str, ...] = ()
    if reading.none_of_these < NONE_MAX_P:
        told = whole_key(alike, question.working_keys, is_cut=blade.edges is not None)
    reading = replace(reading, notes=clashes(question.known, ranking, blade), remarks=remarks, whole_key=told)
    return Examination(photo, scale, silhouette, blade, frame, reading)


def _without_scale(source: Path | Photo, library: Library, told: Told, question: Question, run: Runner) -> Examination:
    """Read a key with nothing of known size beside it: the told blank's width is the scale, or proportions count."""
    blank = question.blank
    profile = None if blank is None else profile_of_blank(library.profiles, blank)
    photo = _loaded(source, run)
    width = own_width(profile)
    kind: ReferenceKind = "none" if profile is None else "blank"
    sighting = run("key", find_by_width, photo, width.mm, kind, told.thickness_mm)
    if profile is not None and blank is not None:
        scale, blade, frame = run("blade", measure_in, sighting, width.mm)
        blade = of_blank(blade, width)
        examination = _examined((photo, scale, sighting.silhouette, blade, frame), library, question, run)
        return _noted(examination, (scale_note(blank, width, blade),))
    _, blade, _ = run("blade", measure_in, sighting, width.mm)
    ranking = run("blades", rank_by_shape, blade, library.profiles, question.known)
    likeliest = ranking.candidates[0].profile.width_mm if ranking.candidates else width.mm
    scale, blade, frame = measure_in(sighting, likeliest)
    examination = _composed((photo, scale, sighting.silhouette, blade, frame), ranking, question)
    return replace(examination, reading=of_unknown_size(examination.reading, ranking, blade))


def _noted(examination: Examination, notes: tuple[str, ...]) -> Examination:
    reading = examination.reading
    return replace(examination, reading=replace(reading, notes=(*notes, *reading.notes)))


def measure(source: Path | Photo, told: Told | None = None, run: Runner = plainly) -> Measured:
    """Measure the key's blade in a photo; no profile has a part in it.

    Raises
    ------
    PhotoError
        When the photo can't be measured.
    """
    photo, told, scale, silhouette = _located(source, told or NOTHING_TOLD, run)
    laid = _lay_strip(photo, scale, silhouette, told, run)
    outline = run("edges", trace_outline, laid, scale, told.thickness_mm, told.pointed.of_blade)
    blade, frame = run("blade", measure_blade, outline, scale)
    face = run("face", find_face_lines, photo, blade, frame)
    return photo, scale, silhouette, replace(blade, faces=() if face is None else (face,)), frame


def _loaded(source: Path | Photo, run: Runner) -> Photo:
    return source if isinstance(source, Photo) else run("photo", load_photo, source)


def look(photo_path: Path, told: Told | None = None) -> tuple[Remark, ...]:
    """What limits a photo, the worst first, without reading the key.

    Raises
    ------
    PhotoError
        When the photo can't be measured.
    """
    photo, _, scale, silhouette = _located(photo_path, told or NOTHING_TOLD, plainly)
    return advise(photo, scale, silhouette)


def _located(source: Path | Photo, told: Told, run: Runner) -> tuple[Photo, Told, Scale, Silhouette]:
    """The photo, what was told of it in its own pixels, its scale, and the key in it."""
    photo = _loaded(source, run)
    told = _on_photo(told, photo)
    scale = run("scale", _sharp_scale, photo, told.of_scale)
    return photo, told, scale, _locate_key(photo, scale, told.pointed, run)


def _locate_key(photo: Photo, scale: Scale, pointed: Pointed, run: Runner) -> Silhouette:
    """Where the key lies.

    A stop and a tip that were pointed at are hints only where the key that is found without them doesn't bear them out:
    so a runner that keeps results finds the key once, however often they are moved.
    """
    try:
        found = run("key", find_silhouette, photo, scale, pointed.of_key)
        if lies_on(found, scale, pointed):
            return found
    except PhotoError:
        if pointed.stop_px is None and pointed.tip_px is None:
            raise
    return run("key", find_silhouette, photo, scale, pointed)


def _on_photo(told: Told, photo: Photo) -> Told:
    """What was told, its points counted in the photo instead of the file's picture; points outside are refused."""
    _check_inside(photo, told.pointed.on_key_px, "key-unclear")
    _check_inside(photo, told.pointed.corners_px or (), "reference-unclear")
    if photo.frame is None:
        return told
    return replace(told, pointed=told.pointed.seen_from(photo.frame.left_px, photo.frame.top_px))


def _lay_strip(photo: Photo, scale: Scale, silhouette: Silhouette, told: Told, run: Runner) -> LaidStrip:
    """The strip along the blade; one laid without pointing will do for stops and tips that are near its own."""
    pointed = told.pointed.of_blade
    try:
        laid = run("strip", lay_strip, photo, scale, silhouette, told.thickness_mm, NOTHING_POINTED)
        if pointed == NOTHING_POINTED or holds(laid, scale, pointed):
            return laid
    except PhotoError:
        if pointed == NOTHING_POINTED:
            raise
    return run("strip", lay_strip, photo, scale, silhouette, told.thickness_mm, pointed)


def _check_inside(photo: Photo, points_px: tuple[Point, ...], code: PhotoErrorCode) -> None:
    width, height = photo.picture_size_px
    for x, y in points_px:
        if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
            size = f"{width} x {height} pixels"
            raise PhotoError(
                code,
                f"The point {x:g},{y:g} lies outside the photo, which has {size}.",
                "Give pixels of the upright photo, counted from its top left corner.",
            )


def _sharp_scale(photo: Photo, told: Told) -> Scale:
    """Find the scale; where the photo is too blurred for that or for what follows, that is what must be told."""
    try:
        scale = find_scale(photo, told)
    except PhotoError as error:
        if error.code == "no-reference":
            check_photo(photo)
        raise
    return with_blur(photo, scale)


def _folder(profiles: Path | str | None) -> Path | None:
    return None if profiles is None else Path(profiles)
