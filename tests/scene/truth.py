"""What is exactly true of a scene, and its outlines with edge noise instead of a picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from keyid.scales.camera import Camera
from tests.scene.key import Edge, KeyPose, KeySpec, blade_prism, head_prism, rounded_rectangle
from tests.scene.outline import Labels, chain, project_plan, project_prism, short_stretches, union_outline
from tests.scene.view import scale_px_per_mm

Array = NDArray[np.float64]

CARD_MM = (85.60, 53.98, 0.76)  # ISO/IEC 7810:2019, ID-1: nominal length, width, thickness
CARD_CORNER_MM = 3.18  # ISO/IEC 7810:2019, ID-1: nominal corner radius


@dataclass(frozen=True)
class TrueCut:
    """A cut as a reading names it.

    Attributes
    ----------
    edge : str
        "a" is the cut edge; of two cut edges the upper one with the tip turned right.
    position_mm, root_mm : float
        From the stop to the root's centre; over the opposite edge's uncut line.
    upper_px, lower_px : ndarray, shape (2,)
        The root's centre on the rim of the face turned up, and of the one turned down.
    """

    edge: Edge
    position_mm: float
    root_mm: float
    upper_px: Array
    lower_px: Array


@dataclass(frozen=True)
class SceneTruth:
    """Everything exact about a scene; all polygons are closed without repeating their first point.

    Attributes
    ----------
    camera : Camera
    key : KeySpec
    pose : KeyPose
    blade_mm : ndarray, shape (n, 2)
        The blade's plan in the key frame, with the collar; row i belongs to row i of both blade rims.
    blade_upper_px, blade_lower_px : ndarray, shape (n, 2)
        The blade's rims: of the face turned up and of the one turned down.
    head_upper_px, head_lower_px : ndarray, shape (m, 2)
        The head's rims.
    outline_px : ndarray, shape (k, 2)
        The visible outline of the whole key.
    outline_rim : ndarray of int8, shape (k,)
        What the stretch from point i to i + 1 is: outline.LOWER, UPPER or WALL.
    blade_outline_px, blade_outline_rim : ndarray
        The same of the blade alone.
    card_corners_px : ndarray, shape (4, 2)
        The sharp corners of the card's top face before its rounding, counter-clockwise on the table.
    card_outline_px : ndarray, shape (j, 2)
        The card's top face.
    cuts : tuple of TrueCut
    """

    camera: Camera
    key: KeySpec
    pose: KeyPose
    blade_mm: Array
    blade_upper_px: Array
    blade_lower_px: Array
    head_upper_px: Array
    head_lower_px: Array
    outline_px: Array
    outline_rim: Labels
    blade_outline_px: Array
    blade_outline_rim: Labels
    card_corners_px: Array
    card_outline_px: Array
    cuts: tuple[TrueCut, ...]

    @property
    def stop(self) -> Literal["shoulder", "tip"]:
        """Where lengths start."""
        return self.key.stop

    @property
    def edges(self) -> Literal[1, 2] | None:
        """How many edges are cut."""
        return self.key.edges

    @property
    def length_mm(self) -> float:
        """From the shoulder (or the head) to the tip."""
        return self.key.length_mm

    @property
    def width_mm(self) -> float:
        """Across the uncut blade."""
        return self.key.width_mm

    @property
    def axis_px(self) -> Array:
        """The blade's mid-line on the upper face, from x = 0 to the tip, shape (2, 2)."""
        middle = self.key.width_mm / 2
        return project_plan(np.array([[0.0, middle], [self.key.length_mm, middle]]), self.up_mm, self.pose, self.camera)

    @property
    def up_mm(self) -> float:
        """Key-frame z of the face turned up."""
        return self.key.thickness_mm if self.pose.face_up == "a" else 0.0

    @property
    def px_per_mm(self) -> float:
        """Scale at the blade's middle, along it."""
        middle = np.array([self.key.length_mm / 2, self.key.width_mm / 2, self.up_mm])
        return scale_px_per_mm(self.camera, self.pose.to_world(middle), self.pose.rotation[:, 0])

    @property
    def turned_over(self) -> bool:
        """True when a reading's edge "a" is the key's edge b: two cut edges (or none), and face b up."""
        return self.key.edges != 1 and self.pose.face_up == "b"

    def key_edge(self, edge: Edge) -> Edge:
        """The key's name of a reading's edge, and back."""
        return edge if not self.turned_over else ("b" if edge == "a" else "a")

    def height_mm(self, edge: Edge, x_mm: Array) -> Array:
        """Exact heights of a reading's edge at stations from the stop; NaN off the blade."""
        return self.key.height_mm(self.key_edge(edge), np.asarray(self.key.x_of(x_mm)))


@dataclass(frozen=True)
class EdgePoints:
    """Points found on an edge.

    Attributes
    ----------
    points_px : ndarray, shape (n, 2)
    outward_px : ndarray, shape (n, 2)
        Unit normals that point away from the metal.
    rim : ndarray of int8, shape (n,)
        What each point lies on.
    """

    points_px: Array
    outward_px: Array
    rim: Labels


def scene_truth(key: KeySpec, pose: KeyPose, camera: Camera) -> SceneTruth:
    """Project the key and the card; a few milliseconds."""
    blade = project_prism(blade_prism(key), pose, camera)
    head = project_prism(head_prism(key), pose, camera)
    outline, rim = union_outline([chain(blade), chain(head)])
    blade_outline, blade_rim = union_outline([chain(blade)])
    corners, card = card_px(camera)
    return SceneTruth(
        camera, key, pose, blade.plan_mm, blade.upper_px, blade.lower_px, head.upper_px, head.lower_px,
        outline, rim, blade_outline, blade_rim, corners, card, _cuts(key, pose, camera),
    )  # fmt: skip


def card_px(camera: Camera) -> tuple[Array, Array]:
    """Sharp corners (4, 2) and outline (n, 2) of the card's top face."""
    x, y = CARD_MM[0] / 2, CARD_MM[1] / 2
    corners = np.array([[x, y], [-x, y], [-x, -y], [x, -y]])
    plan = short_stretches(rounded_rectangle(CARD_MM[0], CARD_MM[1], CARD_CORNER_MM))
    on_card, around = (camera.project(np.column_stack([p, np.full(len(p), CARD_MM[2])])) for p in (corners, plan))
    return on_card, around


def edge_points(
    polygon_px: Array,
    rim: Labels,
    rng: np.random.Generator,
    *,
    step_px: float = 1.0,
    sigma_px: float = 0.1,
    correlation_px: float = 0.0,
) -> EdgePoints:
    """Points along a positively wound outline, moved across it by Gaussian noise.

    Parameters
    ----------
    polygon_px, rim
        A closed outline with what each stretch is, as in SceneTruth.
    step_px : float
        Distance between points along the outline.
    sigma_px, correlation_px : float
        Standard deviation of the noise, and how far along the outline it goes together (0: independent).
    """
    ends = np.roll(polygon_px, -1, axis=0)
    lengths = np.linalg.norm(ends - polygon_px, axis=1)
    reach = np.concatenate([[0.0], np.cumsum(lengths)])
    along = np.arange(0.0, reach[-1], step_px)
    stretch = np.clip(np.searchsorted(reach, along, side="right") - 1, 0, len(polygon_px) - 1)
    direction = ((ends - polygon_px) / np.maximum(lengths, 1e-12)[:, None])[stretch]
    outward = np.column_stack([direction[:, 1], -direction[:, 0]])
    noise = sigma_px * _noise(len(along), correlation_px / step_px, rng)
    points = polygon_px[stretch] + (along - reach[stretch])[:, None] * direction
    return EdgePoints(points + noise[:, None] * outward, outward, rim[stretch])


def _noise(count: int, correlation: float, rng: np.random.Generator) -> Array:
    """Unit noise; smoothed with a Gaussian of sd ``correlation`` samples and brought back to unit variance."""
    white = rng.standard_normal(count)
    if correlation == 0:
        return white
    smooth = gaussian_filter1d(white, correlation, mode="wrap")
    impulse = gaussian_filter1d(np.eye(1, 2 * int(4 * correlation) + 3, int(4 * correlation) + 1)[0], correlation)
    return np.asarray(smooth / np.sqrt(np.sum(impulse**2)))


def _cuts(key: KeySpec, pose: KeyPose, camera: Camera) -> tuple[TrueCut, ...]:
    """The cuts by a reading's names: edge a first, each in the order of position."""
    swap = key.edges == 2 and pose.face_up == "b"
    up, down = (key.thickness_mm, 0.0) if pose.face_up == "a" else (0.0, key.thickness_mm)
    cuts = []
    for cut in key.cuts:
        y = cut.root_mm if cut.edge == "a" else key.width_mm - cut.root_mm
        point = np.array([[float(key.x_of(cut.position_mm)), y]])
        upper, lower = (project_plan(point, z, pose, camera)[0] for z in (up, down))
        edge: Edge = "a" if (cut.edge == "a") != swap else "b"
        cuts.append(TrueCut(edge, cut.position_mm, cut.root_mm, upper, lower))
    return tuple(sorted(cuts, key=lambda cut: (cut.edge, cut.position_mm)))
