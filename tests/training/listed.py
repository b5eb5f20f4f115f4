"""Random keys of listed blades: cut by a profile's depth table, with what is random about any key left to chance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from keyid.profiles.profile import Profile
from keyid.rankings.groove_evidence import open_at
from tests.benchmarks.simulate_keys import legal_codes
from tests.scene import CutSpec, KeyPose

AS_MADE_SD_MM = 0.015  # of roots and positions where the profile tells none: a guess, no source
FULL_HEIGHT_MM = 0.03  # a root that near to the width is not cut
BOW_SPARE_MM = (3.5, 6.0)  # of a tip stop's blade behind its last cut
WORN_P, WORN_RADIUS_MM = 0.3, (0.1, 0.6)  # share of worn keys, and the roundness of their peaks: guesses, no source
RUN_OUT_MM = 1.0  # a groove goes on over the tip, an open one over the edge
EDGES: tuple[Literal["a"], Literal["b"]] = ("a", "b")

Sides = tuple[tuple[float, float], ...]
"""Near and far side of each groove of a face, in mm."""


@dataclass(frozen=True)
class ListedCut:
    """One cut: its code, its profile's position, and place and root on each edge that is cut there, in mm."""

    code: str
    nominal_mm: float
    edges: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class ListedKey:
    """A key of a profile.

    Attributes
    ----------
    profile : Profile
    cuts : tuple of ListedCut
        From the stop on.
    fixed : dict
        Fields of a key as `tests.scene.random_scene` takes them.
    """

    profile: Profile
    cuts: tuple[ListedCut, ...]
    fixed: dict[str, Any]

    def grooves_mm(self, pose: KeyPose) -> tuple[Sides, Sides]:
        """Sides of the grooves of the upper and of the lower face; those open at an edge go on beyond it."""
        faces = (self.profile.grooves_left_mm, self.profile.grooves_right_mm)
        left, right = (tuple(self._opened(*groove) for groove in face) for face in faces)
        return (left, right) if pose.face_up == "a" else (right, left)

    def _opened(self, near_mm: float, far_mm: float) -> tuple[float, float]:
        """A groove's sides, moved out where the profile has them on the blade's edges."""
        at_near, at_far = open_at(near_mm, far_mm, self.profile.width_mm)
        return near_mm - RUN_OUT_MM * at_near, far_mm + RUN_OUT_MM * at_far


def listed_key(profile: Profile, rng: np.random.Generator) -> ListedKey:
    """Cut a random key of a profile: legal codes, with scatter as made; some are worn."""
    sd = profile.as_made_sd_mm or AS_MADE_SD_MM
    cuts = []
    for number, nominal in zip(legal_codes(rng, profile), profile.positions_mm, strict=True):
        root = profile.roots_mm[number]
        scatter = rng.normal(0, sd, (profile.edges if root < profile.width_mm - FULL_HEIGHT_MM else 0, 2))
        edges = tuple((nominal + float(along), root + float(across)) for along, across in scatter)
        cuts.append(ListedCut(profile.codes[number], nominal, edges))
    length = profile.length_mm or max(profile.positions_mm) + rng.uniform(*BOW_SPARE_MM)
    fixed: dict[str, Any] = {
        "stop": profile.stop,
        "length_mm": float(length),
        "width_mm": profile.width_mm,
        "cuts": tuple(CutSpec(name, *on) for cut in cuts for name, on in zip(EDGES, cut.edges, strict=False)),
        "wear_radius_mm": float(rng.uniform(*WORN_RADIUS_MM)) if rng.random() < WORN_P else 0.0,
    }
    told = {"thickness_mm": profile.thickness_mm, "flat_mm": profile.flat_mm, "angle_deg": profile.angle_deg}
    fixed |= {name: value for name, value in told.items() if value is not None}
    return ListedKey(profile, tuple(cuts), fixed)
