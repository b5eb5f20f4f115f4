"""Fit a camera over the table to edge points of a card's sides, with a full covariance.

Everything that is not exactly known is a parameter with a prior: the card's own size, the lens, and a shift of each
side's edge in the photo that all points of the side share (blur, sharpening, shadow).  So the covariance of the fit is
that of the camera, with nothing to be added by hand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales import card
from keyid.scales.camera import Camera
from keyid.scales.lens import Lens, resized_point

Array = NDArray[np.float64]

# Order of the parameters.  What is known beforehand comes first, so that the columns of the covariance's Cholesky
# factor move one cause each and let the pose follow.
SIZE = slice(0, 3)  # width, height, thickness in mm
FOCAL = 3  # log of the focal length in pixels
CENTRE = slice(4, 6)  # principal point in pixels
DISTORTION = 6  # k1
POSE = slice(7, 13)  # turn of the camera (3), place in it (2: over depth; 1: log of depth over focal length)
CAMERA = slice(0, 13)
SHIFT = slice(13, 17)  # outward shift of each side's edge in pixels
TWIST = slice(17, 21)  # and how much more it shifts at the side's end, less at its beginning
COUNT = 21
_BENT = np.r_[SIZE, FOCAL, DISTORTION, POSE]  # those that the prediction is not linear in: numeric derivatives

HALF_MM = np.array([card.straight_mm(side) for side in range(4)])

ROUNDS = 40
ENOUGH = 1e-3  # of log odds: smaller gains end the rounds
FIRST_DAMPING = 1e-3
POSE_SCALE = 1e-3  # the pose has no prior to take its scale from
MAX_STEP = 100.0  # scales of a parameter at once, for the pose 0.1 rad: a start is nearer than that
FLOOR = 1e-9  # information on every parameter, for figures that are no cards and leave some undetermined
STEP = 1e-6  # of numeric derivatives, in units of each parameter's scale
HUBER = 1.5  # residuals beyond that many u count linearly


@dataclass(frozen=True)
class EdgePoints:
    """Points seen on the card's sides.

    Attributes
    ----------
    side : ndarray of int, shape (n,)
    along_mm : ndarray, shape (n,)
        Place along the side (`card.side_points_mm`).
    low : ndarray of bool, shape (n,)
        True for points on the lower rim (on the table), which shows where the side's wall faces the camera.
    point_px, normal_px : ndarray, shape (n, 2)
        The point and the direction, outward from the card, in which it was located.
    u_px : ndarray, shape (n,)
        Standard uncertainty of each by itself.
    """

    side: NDArray[np.int_]
    along_mm: Array
    low: NDArray[np.bool_]
    point_px: Array
    normal_px: Array
    u_px: Array


@dataclass(frozen=True)
class Shifts:
    """Where each side's edge appears, outward from the rim, in pixels with standard deviations; each shape (4,).

    ``twist_u_px`` is the standard deviation of what comes on top at the side's end and is taken off at its beginning.
    """

    px: Array
    u_px: Array
    twist_u_px: Array


def resized_camera(camera: Camera, factor: float) -> Camera:
    """The camera of a picture resized by a factor."""
    return replace(camera, focal_px=camera.focal_px * factor, centre_px=resized_point(camera.centre_px, factor))


@dataclass(frozen=True)
class Fit:
    """A fitted camera.

    Attributes
    ----------
    start : Camera
        The camera that the pose parameters are counted from.
    values : ndarray, shape (21,)
    covariance : ndarray, shape (21, 21)
    cost : float
        Half the sum of (robust) squares, priors included.
    points, lens, shifts : EdgePoints, Lens, Shifts
        What was fitted to.
    residual_px : ndarray, shape (n,)
        Seen minus predicted along each normal, the side's shift taken off.
    pull : ndarray, shape (4,)
    stiffness : ndarray, shape (4, 4)
        How the cost would change if the points of side k were seen d[k] pixels further out and all were fitted again:
        by pull @ d + d @ stiffness @ d / 2, where only points apart from the rest of their side count less.
    """

    start: Camera
    values: Array
    covariance: Array
    cost: float
    points: EdgePoints
    lens: Lens
    shifts: Shifts
    residual_px: Array
    pull: Array
    stiffness: Array

    @property
    def camera(self) -> Camera:
        """The best estimate."""
        return camera_of(self.start, self.values)


def camera_of(start: Camera, values: Array) -> Camera:
    """The camera that a parameter vector stands for."""
    rotation, translation = _pose(start, values[None])
    focal = float(np.exp(values[FOCAL]))
    centre = (float(values[CENTRE][0]), float(values[CENTRE][1]))
    return Camera(focal, centre, float(values[DISTORTION]), rotation[0], translation[0])


def fit(points: EdgePoints, start: Camera, lens: Lens, shifts: Shifts) -> Fit:
    """Fit by damped Gauss-Newton steps (Levenberg-Marquardt) with Huber weights.

    Parameters
    ----------
    points : EdgePoints
    start : Camera
        Near the solution: a few pixels off.
    lens, shifts : Lens, Shifts
        Priors.

    Returns
    -------
    Fit
    """
    mean, u = _prior(lens, shifts)
    values = mean.copy()
    values[FOCAL], values[CENTRE], values[DISTORTION] = np.log(start.focal_px), start.centre_px, start.k1
    values = _solve(points, start, values, mean, u)
    scale = np.where(np.isinf(u), POSE_SCALE, u)
    residual, slope = _residual_and_slope(points, start, values, scale)
    weight = _huber_weight(residual)
    normal = _normal(slope, weight, scale / u)
    by_side = (points.side[:, None] == np.arange(4)) / points.u_px[:, None]
    covariance = np.linalg.inv(normal) * np.outer(scale, scale)
    pull, stiffness = _moving(points, residual, slope, by_side, (mean - values) / scale, scale / u)
    cost = _cost(residual, (values - mean) / u)
    return Fit(start, values, covariance, cost, points, lens, shifts, residual * points.u_px, pull, stiffness)


def _moving(
    points: EdgePoints, residual: Array, slope: Array, by_side: Array, off_prior: Array, prior: Array
) -> tuple[Array, Array]:
    """Pull and stiffness: a side that misfits as a whole counts in full, as in the fit to where it should be."""
    middle = np.array([np.median(residual[points.side == k]) if np.any(points.side == k) else 0.0 for k in range(4)])
    weight = _huber_weight(residual - middle[points.side])
    normal = _normal(slope, weight, prior)
    gradient = slope.T @ (weight * residual) + prior**2 * off_prior
    answer = slope.T @ (weight[:, None] * by_side)
    solved = np.linalg.solve(normal, np.column_stack([gradient, answer]))
    pull = by_side.T @ (weight * residual) - answer.T @ solved[:, 0]
    return pull, by_side.T @ (weight[:, None] * by_side) - answer.T @ solved[:, 1:]


def _solve(points: EdgePoints, start: Camera, values: Array, mean: Array, u: Array) -> Array:
    """Parameters of least cost."""
    scale = np.where(np.isinf(u), POSE_SCALE, u)
    damping = FIRST_DAMPING
    residual, slope = _residual_and_slope(points, start, values, scale)
    cost = _cost(residual, (values - mean) / u)
    for _ in range(ROUNDS):
        weight = _huber_weight(residual)
        normal = _normal(slope, weight, scale / u)
        gradient = slope.T @ (weight * residual) + (scale / u) ** 2 * (mean - values) / scale
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
        moved = values + scale * np.clip(step, -MAX_STEP, MAX_STEP)
        residual_there, slope_there = _residual_and_slope(points, start, moved, scale)
        cost_there = _cost(residual_there, (moved - mean) / u)
        if cost_there > cost:
            damping *= 10
            continue
        done = cost - cost_there < ENOUGH
        values, residual, slope, cost, damping = moved, residual_there, slope_there, cost_there, damping / 10
        if done:
            break
    return values


def _cost(residual: Array, off_prior: Array) -> float:
    """Half the sum of squares, linear beyond HUBER for residuals, priors included."""
    size = np.abs(residual)
    robust = np.where(size < HUBER, 0.5 * size**2, HUBER * (size - 0.5 * HUBER))
    return float(np.sum(robust) + 0.5 * np.sum(off_prior**2))


def _prior(lens: Lens, shifts: Shifts) -> tuple[Array, Array]:
    """Values and standard deviations in the order of the parameters; infinite deviations for the pose."""
    size = (card.WIDTH_MM, card.HEIGHT_MM, card.THICKNESS_MM)
    mean = np.array([*size, np.log(lens.focal_px), *lens.centre_px, 0.0, *np.zeros(6), *shifts.px, *np.zeros(4)])
    size_u = (card.WIDTH_U_MM, card.HEIGHT_U_MM, card.THICKNESS_U_MM)
    lens_u = (lens.focal_log_u, lens.centre_u_px, lens.centre_u_px, lens.k1_u)
    return mean, np.array([*size_u, *lens_u, *np.full(6, np.inf), *shifts.u_px, *shifts.twist_u_px])


def _normal(slope: Array, weight: Array, prior: Array) -> Array:
    """Normal equations' matrix: measured and prior information."""
    return np.asarray(slope.T @ (weight[:, None] * slope) + np.diag(prior**2 + FLOOR))


def _huber_weight(residual: Array) -> Array:
    """Weights that make squares grow linearly beyond HUBER."""
    return np.asarray(HUBER / np.maximum(np.abs(residual), HUBER))


def _residual_and_slope(points: EdgePoints, start: Camera, values: Array, scale: Array) -> tuple[Array, Array]:
    """Residuals in units of u, shape (n,), and derivatives of the prediction by scaled parameter, shape (n, 21)."""
    moved = np.concatenate([values[None], (values + STEP * np.diag(scale))[_BENT]])
    predicted = _predict(points, start, moved)
    residual = (np.sum(points.normal_px * points.point_px, axis=1) - predicted[0]) / points.u_px
    slope = np.empty((len(residual), COUNT))
    slope[:, _BENT] = (predicted[1:] - predicted[0]).T / STEP
    own_side = points.side[:, None] == np.arange(4)
    slope[:, CENTRE] = points.normal_px * scale[CENTRE]
    slope[:, SHIFT] = own_side * scale[SHIFT]
    slope[:, TWIST] = own_side * (points.along_mm / HALF_MM[points.side])[:, None] * scale[TWIST]
    return residual, slope / points.u_px[:, None]


def _predict(points: EdgePoints, start: Camera, values: Array) -> Array:
    """Place of each point along its normal for each of m parameter vectors, shape (m, n)."""
    rotation, translation = _pose(start, values)
    half, thickness = values[:, SIZE][:, :2] / 2, values[:, SIZE][:, 2]
    plan = card.SIDE_NORMALS[points.side] * half[:, None] + card.SIDE_TANGENTS[points.side] * points.along_mm[:, None]
    in_camera = plan @ rotation[:, :, :2].transpose(0, 2, 1)
    height = np.where(points.low, 0.0, thickness[:, None])
    in_camera += height[..., None] * rotation[:, None, :, 2] + translation[:, None]
    plane = in_camera[..., :2] / in_camera[..., 2:]
    bend = 1 + values[:, DISTORTION, None, None] * np.sum(plane**2, axis=-1, keepdims=True)
    pixels = np.exp(values[:, FOCAL])[:, None, None] * plane * bend + values[:, None, CENTRE]
    place = np.sum(pixels * points.normal_px, axis=-1) + values[:, SHIFT][:, points.side]
    return np.asarray(place + values[:, TWIST][:, points.side] * points.along_mm / HALF_MM[points.side])


def _pose(start: Camera, values: Array) -> tuple[Array, Array]:
    """Rotations (m, 3, 3) and translations (m, 3) of m parameter vectors."""
    pose = values[:, POSE]
    rotation = np.stack([cv2.Rodrigues(turn)[0] for turn in pose[:, :3]]) @ start.rotation
    place = start.translation_mm
    depth = place[2] * np.exp(pose[:, 5] + values[:, FOCAL]) / start.focal_px
    translation = np.column_stack(
        [depth * (place[0] / place[2] + pose[:, 3]), depth * (place[1] / place[2] + pose[:, 4]), depth]
    )
    return rotation, translation
