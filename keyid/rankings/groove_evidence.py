"""How well a profile's milled grooves explain the lines seen along the blade's face.

A groove shows up to four lines: its two rims, which lie on the face, and inside them the two edges of its floor, which
parallax moves.  Each may be unseen (light from the wrong side, glare), and other lines may be seen (a scratch, print).
Which face is up follows from where the cut edge lies.  All is an honest likelihood: with nothing seen it hardly
tells blades apart, and a blade whose file tells no grooves is taken like one that is in no file.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.blades.face import FaceLines
from keyid.profiles.profile import Profile

Array = NDArray[np.float64]
Grooves = tuple[tuple[float, float], ...]
Told = tuple[Grooves, Grooves]
"""Grooves of the left and of the right face, as a profile tells them."""

SEEN_P = ((0.6, 0.85), (0.25, 0.5), (0.15, 0.1))  # share of photos, and of the lines of grooves that these show
OTHER_PER_MM = 0.08  # lines that are no groove's; 0.01 on the development photos, more on scratched and printed blades
MADE_SD_MM = 0.05  # grooves as milled, and as read off drawings
DEPTH_MM = 0.7  # of grooves: about a third of a blade (common practice, no source)
WALL_LEAN = 0.45  # a wall's width over its depth, the shade at its foot included (from the development photos)
FLOOR_SD_MM = 0.15  # of the floor's edges, depth, lean and shade taken together
FLOOR_LEAST_MM = 0.15  # nearer to the rim the two are one line
OPEN_MM = 0.05  # a groove that ends that near to the blade's edge is open there
COMMON_SD_MM = 0.03  # of all lines together, beside the datum's own uncertainty
ASTRAY = (0.15, 0.25)  # share and sd in mm of datum lines that were misread
SHIFT_MM = np.arange(-0.6, 0.601, 0.02)  # shifts common to all lines that are weighed
SEPARATED_NATS = math.log(20)  # blades whose grooves differ by more in likelihood are told apart (95 %)
WRONG_FACE_P = 0.03  # share of keys cut on one edge whose cut edge is mistaken
FILE_WRONG_P = 0.05  # share of files or faces whose grooves are told wrong, and of blades that were made otherwise
UNKNOWN_PER_MM = 0.8  # lines of grooves that nobody told, where all are seen: four a groove, three grooves in 15 mm
LIKE_LISTED_P = 0.3  # share of unlisted blades that are milled like a listed one


@dataclass(frozen=True)
class GrooveEvidence:
    """Logs of likelihood ratios against faces whose lines are all chance.

    Attributes
    ----------
    by_grooves : dict
        For every pair of faces that a profile of the library tells.
    unlisted : float
        For a blade that is in no file: milled at unknown places, or like a listed one.
    unknown : float
        For grooves at unknown places.
    """

    by_grooves: dict[Told, float]
    unlisted: float
    unknown: float

    def of(self, profile: Profile) -> float:
        """Log-likelihood ratio of a profile of the library."""
        return self.by_grooves[told_by(profile)]


def told_by(profile: Profile) -> Told:
    """The grooves that a profile tells; an empty face is not told."""
    return profile.grooves_left_mm, profile.grooves_right_mm


def groove_evidence(faces: Sequence[FaceLines], profiles: Iterable[Profile]) -> GrooveEvidence:
    """Weigh the lines of a key's faces, one of each photo, against the grooves of profiles."""
    all_told = {told_by(profile) for profile in profiles}
    unknown = [_unknown(face) for face in faces]
    known = {told: _weigh(told, faces, unknown) for told in all_told if any(told)}
    unlisted = sum(unknown)
    if known:
        like_listed = float(np.logaddexp.reduce(list(known.values()))) - math.log(len(known))
        anew = math.log1p(-LIKE_LISTED_P) + unlisted
        unlisted = float(np.logaddexp(anew, math.log(LIKE_LISTED_P) + like_listed))
    return GrooveEvidence({told: known.get(told, unlisted) for told in all_told}, unlisted, sum(unknown))


def kinds(log_ratios: Sequence[float]) -> list[int]:
    """Number blades by kind of grooves, the likeliest first: those of one kind can't be told apart."""
    numbers = [0] * len(log_ratios)
    number, first = -1, math.inf
    for i in sorted(range(len(log_ratios)), key=lambda i: -log_ratios[i]):
        if log_ratios[i] < first - SEPARATED_NATS:
            number, first = number + 1, log_ratios[i]
        numbers[i] = number
    return numbers


def visible_faces(face: FaceLines) -> tuple[tuple[str, bool, float], ...]:
    """Which face is seen and whether its grooves count from edge a, with the probability of each.

    With the cut edge up and the tip to the right the left face is seen, with the cut edge down the right one; grooves
    count from the edge that is not cut.  Where both edges are cut, or none, either may be the one.
    """
    other_p = WRONG_FACE_P if face.edges == 1 else 0.5
    seen, other = ("left", "right") if face.a_is_upper else ("right", "left")
    return (seen, False, 1 - other_p), (other, True, other_p)


def open_at(near_mm: float, far_mm: float, width_mm: float) -> tuple[bool, bool]:
    """Whether a groove is open at the edge that its near side lies toward, and at the other one."""
    return near_mm <= OPEN_MM, far_mm >= width_mm - OPEN_MM


def expected_lines(grooves: Grooves, width_mm: float, parallax: float) -> tuple[list[float], list[float]]:
    """Heights of the rims, and of the floor's edges, that a face with these grooves should show."""
    rims, floors = [], []
    for near, far in grooves:
        at_near, at_far = open_at(near, far, width_mm)
        if not at_near:
            rims.append(near)
            floors.append(near + max(DEPTH_MM * (WALL_LEAN + parallax), FLOOR_LEAST_MM))
        if not at_far:
            rims.append(far)
            floors.append(far - max(DEPTH_MM * (WALL_LEAN - parallax), FLOOR_LEAST_MM))
    return rims, floors


def turned(grooves: Grooves, width_mm: float) -> Grooves:
    """The same grooves counted from the other edge."""
    return tuple((width_mm - far, width_mm - near) for near, far in reversed(grooves))


def likeliest_face(profile: Profile, face: FaceLines) -> tuple[str, Grooves] | None:
    """The face of a profile that is likeliest up, and its grooves counted from edge b as the lines are.

    None where the profile doesn't tell them.
    """
    side, grooves, _ = max(_ways(told_by(profile), face), key=lambda way: way[2])
    return (side, grooves) if grooves else None


def _weigh(told: Told, faces: Sequence[FaceLines], unknown: Sequence[float]) -> float:
    """Log-likelihood ratio of what a profile tells, given all photos."""
    right = math.log1p(-FILE_WRONG_P)
    for face, otherwise in zip(faces, unknown, strict=True):
        ways = [log_p + (0.0 if grooves else otherwise) for _, grooves, log_p in _ways(told, face)]
        right += float(np.logaddexp.reduce(ways))
    return float(np.logaddexp(right, math.log(FILE_WRONG_P) + sum(unknown)))


def _ways(told: Told, face: FaceLines) -> list[tuple[str, Grooves, float]]:
    """Each face that may be up, its grooves counted from edge b, and the log of its likelihood.

    A face that isn't told has no grooves, and the log of its probability alone.
    """
    ways = []
    for side, from_a, p in visible_faces(face):
        listed = told[0] if side == "left" else told[1]
        grooves = turned(listed, face.width_mm) if from_a else listed
        ways.append((side, grooves, math.log(p) + (_log_ratio(grooves, face) if grooves else 0.0)))
    return ways


def _log_ratio(grooves: Grooves, face: FaceLines) -> float:
    """Log-likelihood ratio of grooves: over all shifts of the datum, and all shares of their lines that show."""
    rims, floors = expected_lines(grooves, face.width_mm, face.parallax)
    expected = [(place, MADE_SD_MM) for place in rims] + [(place, FLOOR_SD_MM) for place in floors]
    ratio = _ratios([one for one in expected if face.low_mm < one[0] < face.high_mm], face)
    shift = _shift_log_p(face)
    shares = [
        math.log(share) + float(np.logaddexp.reduce(np.log1p(-p + p * ratio).sum(axis=0) + shift))
        for share, p in SEEN_P
    ]
    return float(np.logaddexp.reduce(shares))


def _ratios(expected: list[tuple[float, float]], face: FaceLines) -> Array:
    """How much likelier the lines near each expected place, with its sd, are than by chance: (places, shifts)."""
    place, sd = np.array(expected).reshape(-1, 2).T
    at = np.array([line.height_mm for line in face.lines])
    u = np.array([line.u_mm for line in face.lines])
    spread = np.hypot(sd[:, None], u)[:, :, None]
    off = at[None, :, None] - place[:, None, None] - SHIFT_MM
    density = np.exp(-0.5 * (off / spread) ** 2) / (math.sqrt(2 * math.pi) * spread)
    return np.asarray(density.sum(axis=1) / OTHER_PER_MM)


def _shift_log_p(face: FaceLines) -> Array:
    """Log-probability of each shift common to all lines."""
    share, wide = ASTRAY
    sd = math.hypot(face.datum_u_mm, COMMON_SD_MM)
    density = (1 - share) / sd * np.exp(-0.5 * (SHIFT_MM / sd) ** 2)
    density += share / wide * np.exp(-0.5 * (SHIFT_MM / wide) ** 2)
    return np.asarray(np.log(density / density.sum()))


def _unknown(face: FaceLines) -> float:
    """Log-likelihood ratio of grooves at unknown places: the lines of all of them are spread evenly."""
    seen_mm = face.high_mm - face.low_mm
    shares = [
        math.log(share) + len(face.lines) * math.log1p(p * UNKNOWN_PER_MM / OTHER_PER_MM) - p * UNKNOWN_PER_MM * seen_mm
        for share, p in SEEN_P
    ]
    return float(np.logaddexp.reduce(shares))
