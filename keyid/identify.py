"""The one call that does all of it: from a photo file to the reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from keyid.bitting import confirm_list, next_measurement, read_bitting
from keyid.blade import Blade, Frame, measure_blade
from keyid.compose import Advice, compose
from keyid.cuts import find_cuts
from keyid.double_check import double_check, profile_of_blank
from keyid.errors import PhotoError
from keyid.known import NOTHING_KNOWN, Known
from keyid.library import Library, load_library
from keyid.outline import find_outline
from keyid.photo import Photo, load_photo
from keyid.photo_advice import Remark, advise
from keyid.ranking import rank
from keyid.reading import Reading
from keyid.reference import find_scale
from keyid.scale import Scale
from keyid.sharpness import check_photo, check_rim
from keyid.silhouette import Silhouette, find_silhouette
from keyid.told import Told


@dataclass(frozen=True)
class Question:
    """What is asked beside the photo: ``known`` of the codes, and a ``blank`` (or blade) to be double-checked."""

    known: Known = NOTHING_KNOWN
    blank: str | None = None


PLAIN_QUESTION = Question()


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
    photo_path: Path,
    *,
    profiles: Library | Path | str | None = None,
    skip_bad: bool = False,
    told: Told | None = None,
    question: Question = PLAIN_QUESTION,
    warn: Callable[[str], None] | None = None,
) -> Examination:
    """Identify the key in a photo, as `read` does, and keep what the reading was made from.

    ``question`` tells what is known of the codes and which blank is to be double-checked; ``warn`` is called with a
    sentence for every profile file that was left out.
    """
    library = profiles if isinstance(profiles, Library) else load_library(_folder(profiles), skip_bad)
    if warn is not None:
        for left_out in library.skipped:
            warn(f"Left out: {left_out}")
    photo, scale, silhouette, blade, frame = measure(photo_path, told)
    asked = None if question.blank is None else profile_of_blank(library.profiles, question.blank)
    ranking = rank(blade, library.profiles, question.known, asked)
    bitting = read_bitting(ranking, blade, question.known)
    advice = Advice(bitting, next_measurement(ranking, blade), confirm_list(ranking, bitting, blade))
    reading = compose(photo, scale, silhouette, blade, frame, find_cuts(blade), ranking, advice)
    if question.blank is not None and asked is not None:
        reading = replace(reading, checked=double_check(ranking, library.profiles, question.blank))
    return Examination(photo, scale, silhouette, blade, frame, reading)


def measure(photo_path: Path, told: Told | None = None) -> tuple[Photo, Scale, Silhouette, Blade, Frame]:
    """Measure the key's blade in a photo; no profile has a part in it.

    Raises
    ------
    PhotoError
        When the photo can't be measured.
    """
    photo = load_photo(photo_path)
    scale = _sharp_scale(photo, told)
    silhouette = find_silhouette(photo, scale)
    thickness_mm = None if told is None else told.thickness_mm
    blade, frame = measure_blade(find_outline(photo, scale, silhouette, thickness_mm), scale)
    return photo, scale, silhouette, blade, frame


def look(photo_path: Path, told: Told | None = None) -> tuple[Remark, ...]:
    """What limits a photo, the worst first, without reading the key.

    Raises
    ------
    PhotoError
        When the photo can't be measured.
    """
    photo = load_photo(photo_path)
    scale = _sharp_scale(photo, told)
    return advise(photo, scale, find_silhouette(photo, scale))


def _sharp_scale(photo: Photo, told: Told | None) -> Scale:
    """Find the scale; where the photo is too blurred for that or for what follows, that is what must be told."""
    try:
        scale = find_scale(photo, told)
    except PhotoError as error:
        if error.code == "no-reference":
            check_photo(photo)
        raise
    check_rim(photo, scale)
    return scale


def _folder(profiles: Path | str | None) -> Path | None:
    return None if profiles is None else Path(profiles)
