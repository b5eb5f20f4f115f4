"""Fit a camera over the table to what a reference other than the card shows, with a full covariance.

What is not exactly known is a parameter with a prior: the reference's size and thickness, the lens, and whatever else
the reference brings along.  So the covariance of the fit is that of the camera, with nothing to be added by hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.camera import Camera
from keyid.scales.lens import Lens
from keyid.scales.scale import FocalSource, Scale, Variation
from keyid.scales.told import ReferenceKind

Array = NDArray[np.float64]

# Order of the parameters.  What is known beforehand comes first, so that the columns of the covariance's Cholesky
# factor move one cause each and let the pose follow.
SIZE, THICKNESS, FOCAL = 0, 1, 2  # log of the size over the nominal one, mm, log of pixels
CENTRE = slice(3, 5)
DISTORTION = 5
TURN = slice(6, 9)  # of the world before the camera sees it, rad
PLACE = slice(9, 12)  # 2: over depth; 1: log of depth over focal length
CAMERA = slice(0, 12)
EXTRA = 12  # the reference's own parameters start here
SOURCES = (
    *("reference size", "reference thickness", "focal length", "principal point", "principal point", "distortion"),
    *("pose",) * 6,
)

ROUNDS = 60
ENOUGH = 1e-5  # relative gain or step that ends the rounds
HUBER = 1.5  # residuals beyond that many u count linearly
POSE_U = 1e3  # as good as no prior
POSE_SCALE = 1e-3  # steps of the pose, which has no prior to take its scale from
FIXED_U = 1e-3  # of the logarithm: as good as fixed
LOG_MOST = 100.0  # of a length in pixels or mm: a fit to what is no reference may step further, where numbers end
RIVAL_ODDS = 0.02  # a less likely way to read the reference isn't worth a word


@dataclass(frozen=True)
class Body:
    """What is known of a reference's size.

    Attributes
    ----------
    size_log_u : float
        Standard uncertainty of the logarithm of its size over the nominal one.
    thickness_mm, thickness_u_mm : float
        Its top face is that high over the table.
    """

    size_log_u: float
    thickness_mm: float
    thickness_u_mm: float


@dataclass(frozen=True)
class Guess:
    """A camera, and the reference's relative size, thickness and own parameters, as one step of the fit has them."""

    camera: Camera
    size: float
    thickness_mm: float
    extra: Array


@dataclass(frozen=True)
class Model:
    """How a reference explains what the photo shows.

    Attributes
    ----------
    body : Body
    turn_u : tuple of float
        Prior of the turn about x, y and z, in rad; what the reference can't tell is held near the start.
    extra_u : ndarray, shape (k,)
        Standard deviations of its own parameters, which are 0 beforehand.
    residual : callable
        From a guess to what is left unexplained, in units of its standard uncertainty.
    """

    body: Body
    turn_u: tuple[float, float, float]
    extra_u: Array
    residual: Callable[[Guess], Array]


@dataclass(frozen=True)
class PoseFit:
    """A fitted camera.

    Attributes
    ----------
    model, start, lens : Model, Camera, Lens
        What was fitted, from where.
    values : ndarray
        Parameters in the module's order.
    root : ndarray
        Lower triangle whose product with its transpose is the parameters' covariance (Cholesky factor).
    cost : float
        Half the sum of (robust) squares, priors included.
    """

    model: Model
    start: Camera
    lens: Lens
    values: Array
    root: Array
    cost: float

    @property
    def guess(self) -> Guess:
        """The best estimate."""
        return _guess(self.start, self.values)

    @property
    def camera(self) -> Camera:
        """The best estimate of the camera."""
        return self.guess.camera

    @property
    def log_evidence(self) -> float:
        """Log of the probability of this way to see the photo, up to a constant."""
        return float(np.log(self.lens.odds)) - self.cost


def fit(model: Model, start: Camera, lens: Lens) -> PoseFit:
    """Fit by scipy's trust region method with Huber weights."""
    from scipy.optimize import least_squares  # takes a seventh of a second, and photos of cards don't need it

    mean, u = _prior(model, lens)
    scale = np.where(u >= POSE_U, POSE_SCALE, u)
    first = mean.copy()
    first[FOCAL], first[CENTRE], first[DISTORTION] = np.log(start.focal_px), start.centre_px, start.k1

    def residual(scaled: Array) -> Array:
        values = scaled * scale
        return np.concatenate([model.residual(_guess(start, values)), (values - mean) / u])

    found = least_squares(
        residual, first / scale, loss="huber", f_scale=HUBER, x_scale="jac", ftol=ENOUGH, xtol=ENOUGH, max_nfev=ROUNDS
    )
    return PoseFit(model, start, lens, found.x * scale, scale[:, None] * root_of_inverse(found.jac), float(found.cost))


def root_of_inverse(slopes: Array) -> Array:
    """The lower triangle L with L L^T = (J^T J)^-1 of a least squares problem's derivatives J.

    From the triangle of J itself, because J^T J of a reference that leaves much open is too nearly singular.
    """
    backward = np.linalg.qr(slopes[:, ::-1], mode="r")
    root = np.linalg.inv(backward)[::-1, ::-1]
    return np.asarray(root * np.sign(np.diag(root)))


def start_on_plane(plan_mm: Array, points_px: Array, lens: Lens) -> Camera:
    """The camera that sees points (n, 2) of the table at pixels (n, 2), by OpenCV's solver for planes, undistorted."""
    flat = np.column_stack([plan_mm, np.zeros(len(plan_mm))])
    x, y = lens.centre_px
    matrix = np.array([[lens.focal_px, 0, x], [0, lens.focal_px, y], [0, 0, 1.0]])
    _, turn, place = cv2.solvePnP(flat, points_px, matrix, np.zeros(4), flags=cv2.SOLVEPNP_IPPE)
    rotation = np.asarray(cv2.Rodrigues(turn)[0], np.float64)
    return Camera(lens.focal_px, lens.centre_px, 0.0, rotation, np.asarray(place, np.float64).ravel())


def scale_of(
    fits: list[PoseFit], kind: ReferenceKind, focal: FocalSource, outline: Callable[[PoseFit], Array]
) -> Scale:
    """The scale from all ways to see the photo that are possible, each fitted.

    The likeliest is the estimate; the others widen its uncertainty, and the next likeliest is its rival.

    Parameters
    ----------
    fits : list of PoseFit
    kind : str
    focal : str
        Where the focal length comes from.
    outline : callable
        From a fit to the outline of the reference's top face in pixels.
    """
    evidence = np.array([one.log_evidence for one in fits])
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    order = np.argsort(-weight)
    best = fits[order[0]]

    def alone(one: PoseFit) -> Scale:
        return Scale(kind, one.camera, focal, variations(one), outline(one), one.model.body.thickness_mm)

    others = [k for k in order[1:] if weight[k] > RIVAL_ODDS]
    aside = tuple(_aside(best, fits[k], float(np.sqrt(weight[k]))) for k in others)
    first = alone(best)
    first = replace(first, variations=(*first.variations, *aside))
    if not others:
        return first
    return replace(first, rival=alone(fits[others[0]]), rival_probability=float(weight[others[0]]))


def variations(found: PoseFit) -> tuple[Variation, ...]:
    """Independent one-standard-uncertainty moves: the columns of the covariance's Cholesky factor."""
    moved = [found.values[CAMERA] + column for column in found.root[CAMERA, CAMERA].T]
    return tuple(
        Variation(source, _guess(found.start, values).camera) for source, values in zip(SOURCES, moved, strict=True)
    )


def _aside(best: PoseFit, other: PoseFit, share: float) -> Variation:
    """The camera part of the way from the best estimate to another."""
    source = "pose" if best.lens == other.lens else "focal length"
    return Variation(source, between(best.camera, other.camera, share))


def between(one: Camera, other: Camera, share: float) -> Camera:
    """The camera a share of the way from one to another.

    Where the world's origin is seen, and how large, changes evenly from the one to the other: two cameras that see it
    alike, a short lens near and a long one far away, have only such cameras between them.
    """
    turn = cv2.Rodrigues(other.rotation @ one.rotation.T)[0]
    size = [camera.focal_px / camera.translation_mm[2] for camera in (one, other)]
    seen = [camera.translation_mm[:2] * px_per_mm for camera, px_per_mm in zip((one, other), size, strict=True)]
    focal = one.focal_px ** (1 - share) * other.focal_px**share
    depth = focal / (size[0] ** (1 - share) * size[1] ** share)
    place = depth * np.array([*((1 - share) * seen[0] + share * seen[1]) / focal, 1.0])
    rotation = cv2.Rodrigues(turn * share)[0] @ one.rotation
    return replace(one, focal_px=float(focal), rotation=rotation, translation_mm=place)


def _prior(model: Model, lens: Lens) -> tuple[Array, Array]:
    """Values and standard deviations in the order of the parameters."""
    body = model.body
    mean = [0.0, body.thickness_mm, np.log(lens.focal_px), *lens.centre_px, 0.0, *np.zeros(6 + len(model.extra_u))]
    u = [body.size_log_u, body.thickness_u_mm, lens.focal_log_u, lens.centre_u_px, lens.centre_u_px, lens.k1_u]
    return np.array(mean), np.array([*u, *model.turn_u, *np.full(3, POSE_U), *model.extra_u])


def _guess(start: Camera, values: Array) -> Guess:
    """What a parameter vector stands for."""
    rotation = start.rotation @ cv2.Rodrigues(values[TURN])[0]
    x, y, z = start.translation_mm
    aside = values[PLACE]
    depth = z * float(np.exp(min(aside[2] + values[FOCAL], LOG_MOST))) / start.focal_px
    place = np.array([depth * (x / z + aside[0]), depth * (y / z + aside[1]), depth])
    centre = (float(values[CENTRE][0]), float(values[CENTRE][1]))
    camera = Camera(float(np.exp(min(values[FOCAL], LOG_MOST))), centre, float(values[DISTORTION]), rotation, place)
    return Guess(camera, float(np.exp(values[SIZE])), float(values[THICKNESS]), values[EXTRA:])
