"""Blown-out metal: where the face is brighter than the picture can hold, its blurred edge looks further out.

An edge blurred by the lens is cut off at the brightest value that the picture holds, so that its steepest visible
place lies beyond the metal.  The shift depends on how much brighter the metal was, which the picture no longer
tells: a mean shift is taken off, and its scatter goes into the uncertainty.  It was the camera that cut off: in a
picture that was shrunk afterwards the shift is still so many of the camera's pixels, which were smaller.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyid.outlines.strip import SHRUNK_PX_MM, Strip
from keyid.scales.camera import Camera

Array = NDArray[np.float64]

BLOWN = 0.985  # sRGB-coded value of the middle channel from which metal (brass too) counts as blown out
INSIDE_MM = (0.15, 0.25, 0.35)  # how far inside the edge the face is looked at: past its blur
CAMERA_PX_MM = 0.8 * SHRUNK_PX_MM  # of a camera whose picture was shrunk: 23 pixels to a mm, as phones have above a key
BLOOM_PX = 0.9  # mean shift in the camera's pixels (of seven blown-out development photos: 0.65 to 1.4)
BLOOM_U_PX = 0.35  # its scatter


def bloom_px(strip: Strip, s_mm: Array, v_mm: Array, inward: tuple[float, float]) -> Array:
    """Shift in the camera's pixels by which each point's edge looks too far out: 0 where the face is not blown out.

    ``inward`` is the direction (along, across) that leads from the edge into the metal.
    """
    looks = [strip.sampled(strip.middle, s_mm + depth * inward[0], v_mm + depth * inward[1]) for depth in INSIDE_MM]
    return np.where(np.median(looks, axis=0) > BLOWN, BLOOM_PX, 0.0)


def camera_px_mm(strip: Strip, camera: Camera) -> float:
    """Length on the blade's upper face that one pixel showed when the photo was taken."""
    if strip.shrunk:
        return CAMERA_PX_MM
    ends = strip.lie.to_px(np.array([[-1.0, 0.0], [0.0, 0.0]]), camera)
    return 1.0 / float(np.linalg.norm(ends[1] - ends[0]))
