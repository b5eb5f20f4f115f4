"""Lines on the blade's visible face that run along the whole blade: walls and rims of milled grooves.

A groove changes the face's brightness at the same place across the blade all along it.  Brush marks, scratches, glare,
print and shadows do so over a part of the blade, or slanted: averaged over stretches of the blade, with the scatter
between the stretches as uncertainty, they vanish against a groove.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.blades.blade_frame import Frame
from keyid.blades.face import FaceLine, FaceLines
from keyid.outlines.bloom import BLOOM_U_PART, bloom_mm, blur_on_blade_mm
from keyid.outlines.strip import STEP_MM, Strip, peak_position, straighten
from keyid.photos.photo import Photo

Array = NDArray[np.float64]

CLEAR_MM = 0.3  # beside an edge its own blur and burr hide the face
HEAD_CLEAR_MM = 1.0  # the coarse place where the blade leaves the head is good to about a millimetre
TIP_CLEAR_MM = 2.0  # blades taper to the tip; a groove may end there
BLOCK_MM = 1.0  # stretches that are compared: shorter than glare, longer than grain
BLOCK_FULL = 0.6  # share of a stretch that must lie on the face: cuts take the rest away
LEAST_BLOCKS = 4  # a scatter of fewer tells nothing
STREAK_MM = 3.0  # brush marks are that long: neighbouring stretches share them
BLUR_MM = 0.06  # before brightness is differentiated across: about the blur of a usual photo
FLOOR = 0.03  # of a gradient, in full scale per mm: noise of an 8-bit photo after averaging
SLANTS = np.linspace(-0.012, 0.012, 13)  # of lines against the blade's axis: what the axis may be wrong by
SLANT_SD = 0.006
LINE_Z = 3.0  # gradients that many times their uncertainty are lines
SHARP_MM = 0.08  # width of a line's peak: its place is known to that over its z
PLACE_U_MM = 0.04  # of a line's place: sharpening, shade, the rim's rounding (from the development photos)


def find_face_lines(photo: Photo, blade: Blade, frame: Frame) -> FaceLines | None:
    """Find the lines along the blade's visible face; None where too little of the face is seen."""
    strip = _along_axis(photo, blade, frame)
    blocks = _gradients(strip, frame)
    if blocks is None:
        return None
    station, table = blocks
    rows = np.flatnonzero(np.isfinite(table).sum(axis=0) >= LEAST_BLOCKS)
    if len(rows) < 2:
        return None
    z = max((_score(_sheared(station, table, slant), slant) for slant in SLANTS), key=lambda found: found[0])[1]
    sign = 1.0 if frame.plan.a_is_upper else -1.0
    datum = frame.reduced.lower_line if frame.plan.a_is_upper else frame.reduced.upper_line
    blur_mm = blur_on_blade_mm(strip, frame.camera, frame.blur_px)
    places = [_place(strip, station, blur_mm, *peak) for peak in _peaks(z)]
    lines = sorted((FaceLine(sign * (v - datum), u, sign * peak) for v, u, peak in places), key=lambda f: f.height_mm)
    ends = sign * (strip.v_mm[rows[[0, -1]]] - datum)
    viewpoint = frame.viewpoint
    _, parallax = viewpoint.shift(np.zeros(1), np.array([0.5 * blade.width.mm]), np.ones(1))
    return FaceLines(
        lines=tuple(lines),
        low_mm=float(min(ends)),
        high_mm=float(max(ends)),
        parallax=float(parallax[0]),
        edges=blade.edges,
        a_is_upper=frame.plan.a_is_upper,
        width_mm=blade.width.mm,
        datum_u_mm=blade.height_common_u_mm,
        viewpoint=viewpoint,
    )


def _place(strip: Strip, station: Array, blur_mm: float, row: float, z: float) -> tuple[float, float, float]:
    """Place across, its standard uncertainty, and z of a line; the spread of blown-out metal beside it is taken off."""
    v = float(np.interp(row, np.arange(len(strip.v_mm)), strip.v_mm))
    bright = 1.0 if z > 0 else -1.0
    bloom = float(np.mean(bloom_mm(strip, station, np.full(len(station), v), (0.0, bright), blur_mm)))
    u = np.hypot(PLACE_U_MM, SHARP_MM / abs(z))
    return v + bright * bloom, float(np.hypot(u, BLOOM_U_PART * bloom)), z


def _along_axis(photo: Photo, blade: Blade, frame: Frame) -> Strip:
    """The photo resampled with the blade's own axis along the columns."""
    r, lie = frame.reduced, frame.lie
    turned = replace(lie, along=r.cos * lie.along + r.sin * lie.across, across=r.cos * lie.across - r.sin * lie.along)
    return straighten(photo, frame.camera, turned, max(-r.head_along, 0.0), blade.width.mm)


def _gradients(strip: Strip, frame: Frame) -> tuple[Array, Array] | None:
    """Mean gradient across (per mm of v) on the face, for each stretch of the blade (n,) and row: (n, rows).

    NaN where a stretch shows too little of the face.
    """
    r = frame.reduced
    sigma = BLUR_MM / STEP_MM
    smooth = cv2.GaussianBlur(strip.values.mean(axis=2), (1, 0), sigmaX=0.01, sigmaY=sigma)
    across = -np.gradient(smooth, axis=0) / STEP_MM
    on_face = (strip.v_mm[:, None] < _rim(strip, r.upper_along, r.upper_across, r.upper_u) - CLEAR_MM) & (
        strip.v_mm[:, None] > _rim(strip, r.lower_along, r.lower_across, r.lower_u) + CLEAR_MM
    )
    starts = np.arange(r.head_along + HEAD_CLEAR_MM, r.tip_along - TIP_CLEAR_MM - BLOCK_MM, BLOCK_MM)
    if len(starts) < LEAST_BLOCKS:
        return None
    table = np.full((len(starts), len(strip.v_mm)), np.nan)
    for number, start in enumerate(starts):
        columns = slice(*np.searchsorted(strip.s_mm, [start, start + BLOCK_MM]))
        seen = on_face[:, columns]
        count = seen.sum(axis=1)
        enough = count >= BLOCK_FULL * seen.shape[1]
        table[number, enough] = (across[:, columns] * seen).sum(axis=1)[enough] / count[enough]
    return starts + BLOCK_MM / 2, table


def _rim(strip: Strip, along: Array, across: Array, u: Array) -> Array:
    """Place across of an edge at each column; NaN nowhere: gaps are bridged."""
    seen = np.isfinite(u) & np.isfinite(across)
    order = np.argsort(along[seen])
    if len(order) == 0:
        return np.full(len(strip.s_mm), np.nan)
    return np.interp(strip.s_mm, along[seen][order], across[seen][order])


def _sheared(station: Array, table: Array, slant: float) -> Array:
    """The table with each stretch moved across, so that lines of that slant become level."""
    rows = np.arange(table.shape[1], dtype=float)
    moves = slant * (station - station.mean()) / STEP_MM
    return np.array([np.interp(rows - move, rows, row) for move, row in zip(moves, table, strict=True)])


def _score(table: Array, slant: float) -> tuple[float, Array]:
    """How much stands out of a table of gradients, and every row's mean gradient over its uncertainty.

    The uncertainty is that of the mean of stretches that share brush marks, with what the median row shows anyway:
    marks that run along the whole blade.
    """
    count = np.isfinite(table).sum(axis=0)
    enough = count >= LEAST_BLOCKS
    kept = np.where(enough, table, 0.0)
    mean = np.nanmean(kept, axis=0)
    sd = np.nanstd(kept, axis=0)
    usual = 1.4826 * float(np.median(np.abs(mean[enough]))) if enough.any() else 0.0
    u = np.sqrt(sd**2 * (STREAK_MM / BLOCK_MM) / np.maximum(count, 1) + usual**2 + FLOOR**2)
    z = np.where(enough, mean / u, 0.0)
    return float((mean**2).sum()) * float(np.exp(-0.5 * (slant / SLANT_SD) ** 2)), z


def _peaks(z: Array) -> list[tuple[float, float]]:
    """Row and z of every line."""
    size = np.abs(z)
    top = (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > LINE_Z)
    return [(peak_position(size, int(row)), float(z[row])) for row in np.flatnonzero(top) + 1]
