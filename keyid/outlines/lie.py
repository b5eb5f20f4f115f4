"""How the key lies: the plane of the blade's upper face over the table.

A metal key lies flat; a head a little thicker than the blade lifts it.  A plastic head is several times thicker: the
key then rests on the head's front and on the tip, and the blade slopes down to the tip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.scales.camera import Camera
from keyid.scales.scale import Scale
from keyid.silhouettes.silhouette import Silhouette

Array = NDArray[np.float64]

THICKNESS = "thickness"  # the source of what the blade's thickness does
THICKNESS_MM = 2.25  # blades of flat keys are 1.6 to 3.2 mm thick (common practice, no source)
THICKNESS_U_MM = 0.45  # standard deviation that covers that range
METAL_LIFT_MM = 0.15  # a metal head is 0 to 0.6 mm thicker than its blade, half of that lifts the blade
METAL_LIFT_U_MM = 0.15
PLASTIC_HEAD_MM = 9.6  # plastic heads are 8 to 11.5 mm thick (common practice, no source)
PLASTIC_HEAD_U_MM = 0.9
HEAD_ROUNDING_MM = 3.0  # the head rests that far behind its front, where its rounded edge meets the flat
METAL_PITCH_U_DEG = 0.3  # a flat key on paper, cloth or a card's edge
METAL_ROLL_U_DEG = 0.25  # of a flat key: 0.1 mm of paper, cloth or grain under a head 24 mm wide
PLASTIC_ROLL_U_DEG = 0.8  # a plastic head may rest on its seam, which leans the key by a degree or two


@dataclass(frozen=True)
class Lie:
    """The plane of the blade's upper face, with a frame in it.

    Attributes
    ----------
    tip_mm : ndarray, shape (3,)
        World point of the upper face at the blade's mid-line near the tip: s = 0, v = 0.
    along, across, normal : ndarray, shape (3,)
        Unit vectors: from the bow to the tip (s grows), to the left of it seen from above (v grows), and up.
    thickness_mm : float
        Assumed thickness of the blade.
    """

    tip_mm: Array
    along: Array
    across: Array
    normal: Array
    thickness_mm: float

    def to_world(self, s_v: Array) -> Array:
        """Points (..., 2) of the upper face's plane to world points (..., 3), mm."""
        return np.asarray(self.tip_mm + s_v[..., :1] * self.along + s_v[..., 1:] * self.across)

    def to_px(self, s_v: Array, camera: Camera, depth_mm: float = 0.0) -> Array:
        """Pixels (..., 2) of points (..., 2) that lie ``depth_mm`` below the upper face."""
        return camera.project(self.to_world(s_v) - depth_mm * self.normal)

    def from_px(self, points_px: Array, camera: Camera) -> Array:
        """Points (..., 2) of the upper face's plane seen at pixels (..., 2)."""
        world = camera.on_plane(points_px, self.normal, float(self.normal @ self.tip_mm))
        offset = world - self.tip_mm
        return np.stack([offset @ self.along, offset @ self.across], axis=-1)

    def wall(self, s_v: Array, camera: Camera) -> Array:
        """Where the lower rim below points (..., 2) is seen, relative to them, per mm of thickness: (..., 2)."""
        lower = self.from_px(self.to_px(s_v, camera, self.thickness_mm), camera)
        return np.asarray((lower - s_v) / self.thickness_mm)


@dataclass(frozen=True)
class LieInputs:
    """What the lie is made from: heights and angles that the photo shows only roughly.

    Attributes
    ----------
    support_mm : float
        Height of what the blade rests on: 0 for the table, a card's thickness on a card.
    thickness_mm, lift_mm, pitch_deg, roll_deg : float
        Of the blade; ``lift_mm`` is the gap under a flat blade.
    """

    support_mm: float
    thickness_mm: float
    lift_mm: float
    pitch_deg: float
    roll_deg: float


@dataclass(frozen=True)
class LieVariation:
    """The lie with one input one standard uncertainty off."""

    source: str
    inputs: LieInputs


def assume_inputs(silhouette: Silhouette, scale: Scale, thickness_mm: float | None = None) -> LieInputs:
    """The likely lie of a key with this silhouette.

    The pitch of a plastic-headed key follows from the head's thickness over the distance between the head's front,
    on which the key rests, and the tip.
    """
    thickness = THICKNESS_MM if thickness_mm is None else thickness_mm
    on_card = _on_reference(silhouette.blade_px, scale)
    support = scale.thickness_mm if on_card[1] else 0.0
    head_support = scale.thickness_mm if on_card[0] else 0.0
    if silhouette.head == "metal":
        return LieInputs(max(support, head_support), thickness, METAL_LIFT_MM, 0.0, 0.0)
    ends = scale.camera.on_height(silhouette.blade_px, thickness)
    span = float(np.linalg.norm(ends[1] - ends[0])) + HEAD_ROUNDING_MM
    rise = (PLASTIC_HEAD_MM - thickness) / 2 + head_support - support
    return LieInputs(support, thickness, 0.0, float(np.degrees(np.arcsin(min(rise / span, 0.4)))), 0.0)


def lie_variations(inputs: LieInputs, head: str, thickness_u_mm: float) -> tuple[LieVariation, ...]:
    """Independent one-standard-uncertainty changes of the lie."""
    thicker = replace(inputs, thickness_mm=inputs.thickness_mm + thickness_u_mm)
    if head == "metal":
        return (
            LieVariation(THICKNESS, thicker),
            LieVariation("height", replace(inputs, lift_mm=inputs.lift_mm + METAL_LIFT_U_MM)),
            LieVariation("slope", replace(inputs, pitch_deg=inputs.pitch_deg + METAL_PITCH_U_DEG)),
            LieVariation("slope", replace(inputs, roll_deg=inputs.roll_deg + METAL_ROLL_U_DEG)),
        )
    per_mm = max(inputs.pitch_deg, 3.0) / (PLASTIC_HEAD_MM - inputs.thickness_mm)  # of what the head is thicker
    return (
        LieVariation(THICKNESS, replace(thicker, pitch_deg=inputs.pitch_deg - thickness_u_mm * per_mm)),
        LieVariation("slope", replace(inputs, pitch_deg=inputs.pitch_deg + PLASTIC_HEAD_U_MM * per_mm)),
        LieVariation("slope", replace(inputs, roll_deg=inputs.roll_deg + PLASTIC_ROLL_U_DEG)),
    )


def place(inputs: LieInputs, blade_px: Array, camera: Camera) -> Lie:
    """The upper face's plane and frame for a blade seen from ``blade_px[0]`` (bow) to ``blade_px[1]`` (tip)."""
    pitch, roll = np.radians(inputs.pitch_deg), np.radians(inputs.roll_deg)
    top = inputs.support_mm + inputs.lift_mm + inputs.thickness_mm * float(np.cos(pitch))
    ends = camera.on_height(blade_px, top)
    length = float(np.linalg.norm(ends[1] - ends[0]))
    bow = camera.on_height(blade_px[:1], top + length * float(np.sin(pitch)))[0]
    heading = (ends[1] - bow) / np.linalg.norm(ends[1] - bow)
    level = np.array([heading[0], heading[1], 0.0])
    left = np.array([-heading[1], heading[0], 0.0])
    up = np.array([0.0, 0.0, 1.0])
    along = np.cos(pitch) * level - np.sin(pitch) * up
    raised = np.cross(along, left)
    across = np.cos(roll) * left + np.sin(roll) * raised
    return Lie(np.array([*ends[1], top]), along, across, np.cross(along, across), inputs.thickness_mm)


def _on_reference(points_px: Array, scale: Scale) -> list[bool]:
    """Which of the points lie inside the reference's outline."""
    import cv2

    contour = scale.outline_px.astype(np.float32).reshape(-1, 1, 2)
    return [cv2.pointPolygonTest(contour, (float(x), float(y)), False) > 0 for x, y in points_px]
