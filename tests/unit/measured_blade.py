"""Blades for tests: exact edges of an invented key, with errors of known size put on them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.length import Length
from keyid.profiles.profile import Profile
from tests.scene.key import CutSpec, KeySpec

Array = NDArray[np.float64]

STEP_MM = 0.05

PIER = Profile(
    id="pier-5",
    name="Pier",
    unit="mm",
    status="invented",
    source="invented for tests",
    edges=1,
    stop="shoulder",
    length_mm=24.0,
    width_mm=8.0,
    thickness_mm=2.0,
    grooves_left_mm=((1.2, 3.4),),
    grooves_right_mm=((4.0, 6.0),),
    positions_mm=(4.2, 7.8, 11.4, 15.0, 18.6),
    codes=("1", "2", "3", "4", "5", "6"),
    roots_mm=(7.75, 7.25, 6.75, 6.25, 5.75, 5.25),
    order="bow-to-tip",
    flat_mm=1.2,
    angle_deg=90.0,
    macs=4,
    as_made_sd_mm=0.02,
    blanks=(),
)
"""One-edged, shoulder stop."""

QUAY = replace(
    PIER,
    id="quay-7",
    name="Quay",
    edges=2,
    stop="tip",
    length_mm=27.0,
    width_mm=9.0,
    positions_mm=(4.4, 7.0, 9.6, 12.2, 14.8, 17.4, 20.0),
    codes=("1", "2", "3", "4"),
    roots_mm=(9.0, 8.5, 8.0, 7.5),
    order="tip-to-bow",
    flat_mm=0.8,
    macs=3,
)
"""Two-edged, tip stop; code 1 is full height."""

MOLE = replace(PIER, id="mole-5", name="Mole", positions_mm=(4.2, 7.55, 10.9, 14.25, 17.6))
"""Like Pier, closer spaced."""


def key_of(profile: Profile, code: str, moved_mm: float = 0.0, lower_mm: float = 0.0, **spec: object) -> KeySpec:
    """A key cut to code (read from the stop), all cuts moved along the blade and cut lower."""
    roots = dict(zip(profile.codes, profile.roots_mm, strict=True))
    cuts = tuple(
        CutSpec(edge, position + moved_mm, roots[c] - lower_mm)
        for edge in ("a", "b")[: profile.edges]
        for position, c in zip(profile.positions_mm, code.split("-"), strict=True)
        if roots[c] < profile.width_mm
    )
    key = KeySpec(
        stop=profile.stop,
        length_mm=profile.length_mm or 27.0,
        width_mm=profile.width_mm,
        cuts=cuts,
        flat_mm=profile.flat_mm or 0.8,
        angle_deg=profile.angle_deg or 90.0,
        tip="flat",
        tip_reach_mm=1.5,
    )
    return replace(key, **spec)


def measured(key: KeySpec, noise_mm: float = 0.01, common_mm: float = 0.0, seed: int = 0) -> Blade:
    """Measure a key: independent noise on every sample, one error common to all heights; u as large as they are."""
    rng = np.random.default_rng(seed)
    x = np.arange(0.0, key.length_mm, STEP_MM)
    traces = [_trace(key, edge, x, rng, noise_mm, common_mm) for edge in ("a", "b")]
    length = Length(key.length_mm, 0.03) if key.stop == "shoulder" else None
    width = Length(key.width_mm, 0.02)
    return Blade(key.stop, key.edges, length, width, traces[0], traces[1], max(0.02, abs(common_mm)), 0.02, 0.001)


def _trace(key: KeySpec, edge: str, x: Array, rng: np.random.Generator, noise_mm: float, common_mm: float) -> EdgeTrace:
    height = key.height_mm(edge, np.asarray(key.x_of(x)))
    height = height + common_mm + rng.normal(0, noise_mm, len(x))
    return EdgeTrace(x, height, np.full(len(x), noise_mm), STEP_MM)


def with_heights(blade: Blade, first_mm: float, last_mm: float, add_mm: float) -> Blade:
    """Change edge a between two stations; NaN hides it."""
    x, height = blade.a.x_mm, blade.a.height_mm
    changed = np.where((x >= first_mm) & (x <= last_mm), height + add_mm, height)
    return replace(blade, a=replace(blade.a, height_mm=changed))
