"""Blown-out metal: where the face is brighter than the picture can hold, its blurred edge looks further out.

An edge blurred by the lens is cut off at the brightest value that the picture holds, so that its steepest visible
place lies beyond the metal: the wider the blur and the brighter the metal, the further.  How bright it was, the picture
no longer tells, but for one thing: metal that hardly reaches the limit shows grain and brush marks below it, and a
camera's tone curve bends before it.  So a mean shift, in units of the blur, is taken off by how bright the darker part
of the face is, and its scatter goes into the uncertainty.  It was the camera that cut off: in a picture that was shrunk
afterwards the shift is still by the camera's blur, which no longer shows.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyid.outlines.strip import SHRUNK_PX_MM, Strip
from keyid.scales.camera import Camera

Array = NDArray[np.float64]

INSIDE_MM = (0.15, 0.2, 0.25, 0.3, 0.35)  # how far inside the edge the face is looked at: past its blur
DARKER = 10  # percentile of the face's brightness near a point
NEAR_POINTS = 51  # along the edge, that far: some millimetres, longer than grain, shorter than glare
CAMERA_PX_MM = 0.8 * SHRUNK_PX_MM  # of a camera whose picture was shrunk: 23 pixels to a mm, as phones have above a key
USUAL_BLUR_PX = 0.7  # standard deviation (the 52 development photos have 0.59 to 1.1)
BLUR_PX = (0.55, 1.2)  # beyond these the reference's rim was misread

BRIGHTNESS = (0.80, 0.94, 0.97)  # sRGB-coded value of the darker part's middle channel (brass counts, too)
# The shift at these over the blur's standard deviation, by the true rims of 97 bright edges of development photos, as
# taken, as phones process and as messengers send them.  1.3, 2, 3 and 5 times too bright shifts by 0.4, 0.9, 1.2, 1.6.
SHIFT = (0.0, 0.4, 1.25)
BLOOM_U_PART = 0.3  # scatter of the shift, over its mean: of these edges 0.23 px in photos as taken, 0.3 in the others


def blur_on_blade_mm(strip: Strip, camera: Camera, rim_blur_px: float | None) -> float:
    """Standard deviation of the camera's blur on the blade's upper face, of that at the reference's rim (or None)."""
    if strip.shrunk:
        return USUAL_BLUR_PX * CAMERA_PX_MM
    blur_px = USUAL_BLUR_PX if rim_blur_px is None else float(np.clip(rim_blur_px, *BLUR_PX))
    return blur_px * _pixel_mm(strip, camera)


def bloom_mm(strip: Strip, s_mm: Array, v_mm: Array, inward: tuple[float, float], blur_mm: float) -> Array:
    """By how much the edge at each point (n,), in the order along an edge, looks too far out.

    ``inward`` is the direction (along, across) that leads from the edge into the metal.
    """
    looks = [strip.sampled(strip.middle, s_mm + depth * inward[0], v_mm + depth * inward[1]) for depth in INSIDE_MM]
    reach = min(NEAR_POINTS, len(s_mm)) // 2
    padded = np.pad(np.array(looks), ((0, 0), (reach, reach)), mode="reflect")
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1)
    return np.interp(np.percentile(near, DARKER, axis=(0, 2)), BRIGHTNESS, SHIFT) * blur_mm


def _pixel_mm(strip: Strip, camera: Camera) -> float:
    """Length on the blade's upper face that one pixel shows."""
    ends = strip.lie.to_px(np.array([[-1.0, 0.0], [0.0, 0.0]]), camera)
    return 1.0 / float(np.linalg.norm(ends[1] - ends[0]))
