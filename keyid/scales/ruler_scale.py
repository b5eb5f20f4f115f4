"""The scale from a ruler's marks.

Marks that are parallel and even in truth show by their converging and by their narrowing how the ruler lies; with the
focal length that is the whole pose.  Along the ruler it is known well, across it less; the other straight lines in the
photo, the ruler's own long edges among them, help.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales import parallels, ruler_body
from keyid.scales.camera import Camera
from keyid.scales.corner_scale import in_turn
from keyid.scales.lens import Lens, focal_source, lenses_of
from keyid.scales.parallels import Lines
from keyid.scales.pose_fit import Body, Guess, Model, PoseFit, fit, scale_of
from keyid.scales.ruler_marks import BANDS, Marks, read_marks
from keyid.scales.ruler_rhythm import Rhythm, decide
from keyid.scales.ruler_search import LONG_SIDE_PX, Row, find_rows
from keyid.scales.scale import Scale

Array = NDArray[np.float64]

SIZE_LOG_U = 0.0012  # cheap rulers: class II of Directive 2014/32/EU, annex X, allows 0.5 mm on 150 mm: most are better
THICKNESS_MM, THICKNESS_U_MM = 0.7, 0.4  # paper 0.1 to 0.3, steel 0.5 to 1, plastic 1 to 2 mm with a bevelled edge
MARK_U_PX, MARK_U_MM = 0.15, 0.02  # of one mark's place: how well it is seen and how well it was made
TOGETHER = 2.0  # neighbouring points err together: four of them count as one
HELD_MM = 0.1  # the world's y axis is held at the marks
FREE_RAD = 10.0  # no prior for the turn
REFITS = 2
BESIDE_PX_PER_MM = 6.0  # at which marks 1 mm apart part
LONGEST_MARK_MM = 15.0  # of rulers (common practice, no source)
MOST_BESIDE = 2  # rows that are read: a ruler has two edges
MOST_STROKES_PER_MM = 5.0  # half mm marks have four edges to a mm; wood's grain and cloth have more
CLEAR_MARKS = 40  # rows of so many even marks are a ruler's; shorter ones may be anything
UNEVEN_PART = 0.07  # of a step, marks' scatter: rulers in photos, real ones too, have up to 0.03, printed rows 0.16
TURN_U_RAD = 0.05  # of the lines' direction: a start that is some degrees off tilts it by that


def find_ruler(photo: Photo, within_px: Array | None = None) -> Scale:
    """Find a ruler in the photo, or within the corners (4, 2) that were pointed at, and solve the camera's pose.

    Raises PhotoError ``no-reference``, and ``reference-unclear`` when its unit can't be told.
    """
    rows = [row for row in find_rows(photo.pixels) if within_px is None or _is_within(row.middle_px, within_px)]
    marks, read = _read(photo, rows)
    if not read:
        raise _not_found(marks)
    lines = parallels.find_lines(photo, np.zeros((3, 2)))
    for best, rhythm in sorted(read, key=lambda one: -len(one[0].number)):
        found = [_posed(best, rhythm, lines, lens) for lens in lenses_of(photo)]
        fits = [one for one in found if _is_even(one, best, rhythm)]
        if fits:
            known = focal_source(photo, "estimated" if photo.whole else "assumed")
            return scale_of(fits, "ruler", known, _outline_of(photo, best, rhythm))
    raise _not_found([])


def find_marks_beside(photo: Photo, px_per_mm: float) -> list[tuple[Marks, Rhythm]]:
    """Marks as of a ruler that lies beside another reference, by which the photo's pixels per mm are known.

    They are looked for as coarsely as millimetres allow; only rows of many marks, and not too many for a ruler, count.
    """
    long_side_px = min(LONG_SIDE_PX, BESIDE_PX_PER_MM / px_per_mm * max(photo.pixels.shape))
    rows = find_rows(photo.pixels, long_side_px, only_dense=True)
    most = MOST_STROKES_PER_MM / px_per_mm
    likely = [
        row
        for row in rows
        if CLEAR_MARKS <= row.count < most * (row.ends[1] - row.ends[0]) and row.longest < LONGEST_MARK_MM * px_per_mm
    ]
    _, read = _read(photo, likely[:MOST_BESIDE])
    return [one for one in read if len(one[0].number) >= CLEAR_MARKS]


def _read(photo: Photo, rows: list[Row]) -> tuple[list[Marks], list[tuple[Marks, Rhythm]]]:
    """The marks of rows, and those whose unit can be told with it."""
    marks = [one for row in rows if (one := read_marks(photo.pixels, row)) is not None]
    return marks, [(one, rhythm) for one in marks if (rhythm := decide(one.number, one.length_px)) is not None]


def _is_within(point_px: Array, corners_px: Array) -> bool:
    """Whether a point lies inside the corners."""
    contour = in_turn(corners_px).astype(np.float32).reshape(-1, 1, 2)
    return cv2.pointPolygonTest(contour, (float(point_px[0]), float(point_px[1])), False) >= 0


def _not_found(marks: list[Marks]) -> PhotoError:
    """What to tell when no row of marks could be read."""
    if any(len(one.number) >= CLEAR_MARKS for one in marks):
        return PhotoError(
            "reference-unclear",
            "The marks of the ruler are seen, but not whether they count millimetres or parts of an inch.",
            "Take the photo again with the longer marks sharp and free, or lay a bank card beside the key.",
        )
    return PhotoError(
        "no-reference",
        "No ruler can be found in the photo.",
        "Lay a ruler flat beside the key, its marks free, sharp and without glare.",
    )


def _posed(marks: Marks, rhythm: Rhythm, lines: Lines, lens: Lens) -> PoseFit:
    """The ruler's pose, fitted again with the scatter that the marks themselves show."""
    start = _start(marks, rhythm, lens)
    place = _places_mm(marks, rhythm)
    px_per_mm = _px_per_mm(marks, rhythm)
    u_mm = float(np.hypot(MARK_U_PX / px_per_mm, MARK_U_MM))
    direction = parallels.main_direction(lines, start)
    found = fit(_model(marks, place, u_mm, lines, direction), start, lens)
    for _ in range(REFITS):
        scatter = max(u_mm, TOGETHER * _scatter_mm(marks, place, found.guess))
        direction = parallels.main_direction(lines, found.camera)
        found = fit(_model(marks, place, scatter, lines, direction), found.camera, lens)
    return found


def _is_even(found: PoseFit, marks: Marks, rhythm: Rhythm) -> bool:
    """Whether marks lie as evenly as a ruler's do: print and grain may pass for marks, roughly."""
    return _scatter_mm(marks, _places_mm(marks, rhythm), found.guess) < UNEVEN_PART * rhythm.step_mm


def _model(marks: Marks, place_mm: Array, u_mm: float, lines: Lines, direction_rad: float) -> Model:
    """Every mark lies at its place along x; lines are mostly parallel."""

    def residual(guess: Guess) -> Array:
        off = _off(marks, place_mm, guess) / u_mm
        middle = guess.camera.on_height(marks.place_px[:, BANDS // 2], guess.thickness_mm)[:, 1].mean()
        askew = parallels.off_direction(lines, guess.camera, direction_rad + float(guess.extra[0]))
        return np.concatenate([off.ravel(), askew, [middle / HELD_MM]])

    body = Body(SIZE_LOG_U, THICKNESS_MM, THICKNESS_U_MM)
    return Model(body, (FREE_RAD,) * 3, np.array([TURN_U_RAD]), residual)


def _off(marks: Marks, place_mm: Array, guess: Guess) -> Array:
    """How far the points of each mark lie off its place along x, in mm, shape (n, BANDS)."""
    plan = guess.camera.on_height(marks.place_px, guess.thickness_mm)
    return np.asarray(plan[..., 0] - guess.size * place_mm[:, None])


def _scatter_mm(marks: Marks, place_mm: Array, guess: Guess) -> float:
    """How far marks lie off their places, as a robust standard deviation."""
    return 1.4826 * float(np.median(np.abs(_off(marks, place_mm, guess))))


def _places_mm(marks: Marks, rhythm: Rhythm) -> Array:
    """Where along x each mark lies: the world's origin is at the middle one."""
    return np.asarray((marks.number - marks.number[len(marks.number) // 2]) * rhythm.step_mm, np.float64)


def _px_per_mm(marks: Marks, rhythm: Rhythm) -> float:
    """Scale along the ruler at its middle."""
    return float(np.median(np.diff(marks.t) / np.diff(marks.number)) / rhythm.step_mm)


def _start(marks: Marks, rhythm: Rhythm, lens: Lens) -> Camera:
    """A camera that looks straight down on the middle mark."""
    along = marks.row.along
    x = np.array([*along, 0.0])
    up = np.array([0.0, 0.0, -1.0])
    at = marks.place_px[len(marks.number) // 2, BANDS // 2]
    depth = lens.focal_px / _px_per_mm(marks, rhythm)
    place = depth * np.array([*(at - np.array(lens.centre_px)) / lens.focal_px, 1.0])
    return Camera(lens.focal_px, lens.centre_px, 0.0, np.column_stack([x, np.cross(up, x), up]), place)


def _outline_of(photo: Photo, marks: Marks, rhythm: Rhythm) -> Callable[[PoseFit], Array]:
    """How a fit's outline is made."""

    def outline(found: PoseFit) -> Array:
        guess = found.guess
        place = _places_mm(marks, rhythm)
        low = np.median(guess.camera.on_height(_ends_px(marks, marks.low_px), guess.thickness_mm)[:, 1])
        high = np.median(guess.camera.on_height(_ends_px(marks, marks.high_px), guess.thickness_mm)[:, 1])
        ends = ruler_body.Span(float(place[0]), float(place[-1]))
        return ruler_body.outline(photo, guess.camera, guess.thickness_mm, ends, (float(low), float(high)))

    return outline


def _ends_px(marks: Marks, h: Array) -> Array:
    """Pixels where the marks end to one side."""
    return marks.row.to_px(marks.t, h)
