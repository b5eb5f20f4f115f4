"""The ends of the blade: the shoulder's step, and where the head begins."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.camera import Camera
from keyid.face import LIMIT
from keyid.strip import STEP_MM, Image, Strip, gradients, peak_position

Array = NDArray[np.float64]

STEP_FROM_MM = 0.3  # beyond the blade's edge: past its wall and blur
STEP_TO_MM = 1.2  # collars are at least that much wider on a side (common practice, no source)
COLLAR_BEYOND_MM = 3.0  # beyond the blade's edge: past every collar, where only a head reaches
COLLAR_FAR_MM = 3.8
COLLAR_LENGTH_MM = 2.2  # a collar is at least that long, else the step is the head's front
NEAR_MM = 0.4  # beside the step: past its blur
BLADE_MIN_MM = 14.0  # no step is looked for nearer to the tip
EDGE_HALF = 0.02  # gradient per sample at which a step's edge counts half
STEP_SCORE = 0.35  # of 1 + 1: edge and change of face together, from which a step is believed


@dataclass(frozen=True)
class Step:
    """A shoulder's step on one side.

    Attributes
    ----------
    s_mm : float
        Station of its flat face's upper rim.
    score : float
        How clearly it is seen, 0 to 1.
    """

    s_mm: float
    score: float


def find_step(strip: Strip, face: Image, camera: Camera, sign: int, edge_mm: float, thickness_mm: float) -> Step | None:
    """The shoulder's step beside an edge that lies ``edge_mm`` outward on the side ``sign``; None where none shows."""
    out = strip.v_mm * sign
    band = (out > edge_mm + STEP_FROM_MM) & (out < edge_mm + STEP_TO_MM)
    beyond = (out > edge_mm + COLLAR_BEYOND_MM) & (out < edge_mm + COLLAR_FAR_MM)
    if band.sum() < 5 or beyond.sum() < 5:
        return None
    along = gradients(strip.values)[0][band].mean(axis=0)
    edge = np.linalg.norm(along, axis=1)
    edge = edge / (edge + EDGE_HALF)
    inside = face[band].mean(axis=0) / LIMIT
    outside = face[beyond].mean(axis=0) / LIMIT
    near, collar = int(NEAR_MM / STEP_MM), int(COLLAR_LENGTH_MM / STEP_MM)
    wall_s = float(strip.lie.wall(np.array([[-strip.length_mm, sign * edge_mm]]), camera)[0, 0]) * thickness_mm
    score = np.zeros(len(edge))
    last = int(np.searchsorted(strip.s_mm, -BLADE_MIN_MM))
    for column in range(collar + 1, last):
        before = inside[column - collar : column - near].mean()
        after = inside[column + near : column + collar].mean()
        head = outside[column - collar : column - near].mean()
        change = np.clip(0.5 * (before - after), 0, 1) * np.clip(0.5 * (before - head) + 0.25, 0, 1)
        score[column] = edge[column] * change
    if wall_s > STEP_FROM_MM:
        shift = round(wall_s / STEP_MM)
        score[:-shift] *= 0.5 + 0.5 * edge[shift:]
    best = int(np.argmax(score))
    if score[best] < STEP_SCORE / 2:
        return None
    window = slice(max(0, best - near), best + near)
    place = peak_position(edge[window], int(np.argmax(edge[window]))) + window.start
    return Step(float(strip.s_mm[0] + place * STEP_MM), float(score[best]))
