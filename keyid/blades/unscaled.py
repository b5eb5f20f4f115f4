"""A photo without anything of known size: the blade's own width is taken for the scale.

The camera is taken to look straight down, as people hold it, and the picture to show as much table as pictures do; of
several such guesses the one counts under which something reads as a key.  Then the scale is set so that the blade has
the width that was told.  What lies across the blade follows from that; along it the camera's unseen lean counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from keyid.blades.blade import Blade, BudgetLine
from keyid.blades.blade_frame import Frame
from keyid.blades.blade_measure import measure_blade
from keyid.errors import PhotoError
from keyid.length import Length
from keyid.outlines.outline import Outline, find_outline, seen_by
from keyid.photos.photo import Photo
from keyid.profiles.profile import Profile
from keyid.scales.camera import Camera
from keyid.scales.lens import focal_source, lenses_of
from keyid.scales.scale import Scale
from keyid.scales.sharpness import check_photo
from keyid.scales.table_view import view_table
from keyid.scales.told import ReferenceKind
from keyid.silhouettes.key_search import FINE_PX_PER_MM, Found, find_keys
from keyid.silhouettes.silhouette import Silhouette, find_silhouette

FIELDS_MM = (155.0, 220.0, 110.0, 310.0)  # of table along the picture's long side, likeliest first
SURE_SCORE = 0.8  # of a key under one guess: further ones aren't tried
USUAL_WIDTH = Length(8.3, 1.2)  # blades of flat keys are 5 to 11 mm wide, most 7 to 10 (common practice, no source)
MADE_SD_MM = 0.05  # a blank's width differs from its nominal by that (trade limit of 0.1 mm, from memory)
ROUNDS = 2  # of looking for the edges and setting the scale by them: a guess is up to a third off
FIT_ROUNDS = 3  # of setting the scale by edges already found: the face is nearer than the table by a hundredth
LEAN_U_RAD = math.radians(12.0)  # people hold the camera about that level (common practice, no source)
CARD_STRETCH_U = 0.0035  # relative u of lengths along the blade beside a card (median of the rendered photos)
NOWHERE_MM = np.empty((0, 2))  # nothing is pointed at
CORNER_PX = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])  # no reference hides any of the table
SIZE_TELLS_NOTHING_MM = 1.0  # u of a width that was set, not measured
LEVEL_FACTOR = 2.0  # u of a width that was not measured, in u of the heights: it tells next to nothing of their error


def own_width(profile: Profile | None) -> Length:
    """The width to take for the scale: a blank's, or where none was told what blades usually have."""
    if profile is None:
        return USUAL_WIDTH
    return Length(profile.width_mm, math.hypot(MADE_SD_MM, profile.width_sd_mm or 0.0))


@dataclass(frozen=True)
class Sighting:
    """A blade found in a photo, in a size that is not known: `measure_in` gives it one."""

    scale: Scale
    silhouette: Silhouette
    outline: Outline


def find_by_width(photo: Photo, width_mm: float, kind: ReferenceKind, thickness_mm: float | None) -> Sighting:
    """Find the blade in a photo.

    Parameters
    ----------
    photo : Photo
    width_mm : float
        Of the uncut blade, to about a third.
    kind : str
        "blank" where the width is a told blank's, else "none".
    thickness_mm : float or None
        Of the blade, where it was measured by hand.

    Raises
    ------
    PhotoError
        As every measuring of a key.
    """
    check_photo(photo)
    camera = _first_camera(photo, width_mm)
    for _ in range(ROUNDS):
        scale = Scale(kind, camera, focal_source(photo, "assumed"), (), CORNER_PX, 0.0)
        silhouette = find_silhouette(photo, scale)
        scale = replace(scale, outline_px=silhouette.outline_px)
        outline = find_outline(photo, scale, silhouette, thickness_mm)
        camera = _fitted(outline, scale, width_mm)
    return Sighting(replace(scale, camera=camera), silhouette, outline)


def measure_in(sighting: Sighting, width_mm: float) -> tuple[Scale, Blade, Frame]:
    """Measure the blade in the size that makes it so wide.

    Its uncertainties hold the camera's unseen lean, and that of its width how well the width is seen, but nothing of
    the size: that is for `sized` or `of_blank`.
    """
    outline = sighting.outline
    scale = replace(sighting.scale, camera=_fitted(outline, sighting.scale, width_mm))
    blade, frame = measure_blade(seen_by(outline, scale.camera, outline.inputs), scale)
    return scale, _leaning(blade, scale.camera), frame


def sized(blade: Blade, width_mm: float) -> Blade:
    """The blade in the size that makes it so wide; an error of the seen width is then one of all other lengths."""
    factor = width_mm / blade.width.mm
    relative_u = blade.width.u_mm / blade.width.mm
    length = blade.length
    if length is not None:
        length = Length(length.mm * factor, math.hypot(length.u_mm * factor, relative_u * length.mm * factor))
    return replace(
        blade,
        length=length,
        width=Length(width_mm, SIZE_TELLS_NOTHING_MM),
        a=blade.a.scaled(factor, factor),
        b=blade.b.scaled(factor, factor),
        height_common_u_mm=math.hypot(blade.height_common_u_mm * factor, relative_u * width_mm),
        station_common_u_mm=blade.station_common_u_mm * factor,
        stretch_u=math.hypot(blade.stretch_u, relative_u),
    )


def of_blank(blade: Blade, width: Length) -> Blade:
    """The blade measured in the size of a blank that is so wide, with what both widths are unsure of."""
    seen = replace(blade, width=Length(blade.width.mm, math.hypot(blade.width.u_mm, width.u_mm)))
    made = sized(seen, width.mm)
    relative_u = seen.width.u_mm / seen.width.mm
    end = float(blade.a.x_mm[-1]) if blade.length is None else blade.length.mm
    size = BudgetLine("reference size", relative_u * end, seen.width.u_mm, relative_u * width.mm, 0.0, relative_u)
    unmeasured_u = max(seen.width.u_mm, LEVEL_FACTOR * made.height_common_u_mm)
    return replace(made, width=Length(width.mm, unmeasured_u), budget=(*blade.budget, size))


def scale_note(blank: str, width: Length, blade: Blade) -> str:
    """What a reading rests on whose scale is a blank's width."""
    along, with_card = _part(blade.stretch_u), _part(CARD_STRETCH_U)
    return (
        f"Nothing of known size: the width of {blank}, {width.mm:.2f} mm, is taken for the scale, and only proportions "
        f"check it. Lengths along the blade are seen to {along}, with a card to {with_card}: to be sure, take the "
        "photo again with a card."
    )


def _part(relative_u: float) -> str:
    """A relative limit of 95 % in words."""
    return f"±{200 * relative_u:.0f} %" if relative_u >= 0.01 else f"±{200 * relative_u:.1f} %"


def _first_camera(photo: Photo, width_mm: float) -> Camera:
    """The camera under the guess that shows a key best, as far away as makes the key's blade that wide."""
    best: Found | None = None
    for field_mm in FIELDS_MM:
        camera = _level_camera(photo, max(photo.width_px, photo.height_px) / field_mm)
        scale = Scale("none", camera, focal_source(photo, "assumed"), (), CORNER_PX, 0.0)
        found = find_keys(view_table(photo, scale, FINE_PX_PER_MM), NOWHERE_MM, 0.0)
        if found and (best is None or found[0].rank > best.rank):
            best, seen_from = found[0], camera
        if best is not None and best.score >= SURE_SCORE:
            break
    if best is None or not best.is_key:
        raise PhotoError(
            "no-key",
            "No key was found in this photo.",
            "Lay one key flat on a plain surface, with a bank card beside it.",
        )
    return seen_from.farther(width_mm / best.shape.width_mm)


def _level_camera(photo: Photo, px_per_mm: float) -> Camera:
    """Straight above the middle of the picture."""
    lens = lenses_of(photo)[0]
    place = np.array([0.0, 0.0, lens.focal_px / px_per_mm])
    return Camera(lens.focal_px, lens.centre_px, 0.0, np.diag([1.0, -1.0, -1.0]), place)


def _fitted(outline: Outline, scale: Scale, width_mm: float) -> Camera:
    """The camera as far away as gives the outline's blade its width."""
    camera = scale.camera
    for _ in range(FIT_ROUNDS):
        seen = seen_by(outline, camera, outline.inputs)
        blade, _ = measure_blade(seen, replace(scale, camera=camera))
        camera = camera.farther(width_mm / blade.width.mm)
    return camera


def _leaning(blade: Blade, camera: Camera) -> Blade:
    """The blade with what the camera's unseen lean does in its uncertainties.

    A lean foreshortens lengths against widths, or the other way round, by its cosine, and makes what is nearer larger.
    """
    shorter = (1 - math.cos(LEAN_U_RAD)) * math.sqrt(2)  # about either axis
    end = float(blade.a.x_mm[-1]) if blade.length is None else blade.length.mm
    away = float(np.linalg.norm(camera.position_mm))
    larger = math.sin(LEAN_U_RAD) * end / away / math.sqrt(12)  # RMS over the blade
    lean = BudgetLine("lean of the camera", shorter * end, 0.0, larger * blade.width.mm, 0.0, shorter)
    length = blade.length and Length(blade.length.mm, math.hypot(blade.length.u_mm, lean.length_mm))
    return replace(
        blade,
        length=length,
        height_common_u_mm=math.hypot(blade.height_common_u_mm, lean.height_mm),
        stretch_u=math.hypot(blade.stretch_u, lean.stretch),
        budget=(*blade.budget, lean),
        thickness=None,
    )
