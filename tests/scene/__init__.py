"""Scenes with exact truth, made fast: a key beside a card, seen by a posed camera.

``make_scene`` draws one scene, ``random_scene`` a random one; with ``picture=False`` both give the exact outlines only,
in milliseconds, and ``edge_points`` turns an outline into noisy edge points.
"""

from tests.scene.key import CutSpec, KeyPose, KeySpec, lay_down
from tests.scene.look import Look
from tests.scene.make import Scene, make_scene, random_camera, random_key, random_look, random_scene
from tests.scene.truth import EdgePoints, SceneTruth, TrueCut, edge_points, scene_truth
from tests.scene.view import focal_px_of, posed_camera

__all__ = [
    "CutSpec",
    "EdgePoints",
    "KeyPose",
    "KeySpec",
    "Look",
    "Scene",
    "SceneTruth",
    "TrueCut",
    "edge_points",
    "focal_px_of",
    "lay_down",
    "make_scene",
    "posed_camera",
    "random_camera",
    "random_key",
    "random_look",
    "random_scene",
    "scene_truth",
]
