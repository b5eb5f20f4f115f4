"""What speaks for and against a blade, with the numbers, in plain words."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.length import Length, in_mm
from keyid.profiles.profile import Profile
from keyid.rankings.cutmodel import full_height
from keyid.rankings.evidence import LENGTH_SD_MM
from keyid.rankings.fitting import CutFit
from keyid.rankings.groove_reasons import groove_reasons
from keyid.rankings.height_errors import width_sd_mm
from keyid.rankings.joint import joint_positions, joint_roots
from keyid.rankings.places import POSITION_SD_MM

Array = NDArray[np.float64]
Reasons = tuple[list[str], list[str]]
"""For and against."""

FITS_U = 2.0  # differences of up to so many standard uncertainties speak for a blade (95 %)
DEVIATES_U = 3.0  # and from so many on against it
UNEXPLAINED_MM = 0.2  # an edge that much lower than the cuts explain has another cut there


def reasons(profile: Profile, blade: Blade, fit: CutFit | None) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Say what speaks for and what against a blade."""
    said: Reasons = ([], [])
    _stop(said, profile, blade)
    _size(said, "width", blade.width, profile.width_mm, width_sd_mm(profile))
    if blade.length is not None and profile.length_mm is not None and profile.stop == blade.stop == "shoulder":
        _size(said, "length", blade.length, profile.length_mm, LENGTH_SD_MM)
    if fit is not None:
        _edges(said, profile, blade)
        _positions(said, profile, fit)
        _roots(said, profile, blade, fit)
        _unexplained(said, fit)
    for_grooves, against_grooves = groove_reasons(profile, blade.faces)
    return (*said[0], *for_grooves), (*said[1], *against_grooves)


def _stop(said: Reasons, profile: Profile, blade: Blade) -> None:
    if blade.stop == profile.stop:
        said[0].append(f"stop: {blade.stop}")
    elif blade.stop != "unknown":
        said[1].append(f"stop: {blade.stop}; this blade is located by its {profile.stop}")


def _edges(said: Reasons, profile: Profile, blade: Blade) -> None:
    if blade.edges is not None and blade.edges != profile.edges:
        said[1].append(f"edges cut: {blade.edges}; this blade is cut on {profile.edges}")


def _size(said: Reasons, name: str, seen: Length, nominal_mm: float, made_sd_mm: float) -> None:
    off_mm = abs(seen.mm - nominal_mm)
    off_u = off_mm / math.hypot(seen.u_mm, made_sd_mm)
    text = f"{name} {in_mm(seen)} mm; this blade {nominal_mm:.2f}"
    if off_u <= FITS_U:
        said[0].append(text)
    elif off_u >= DEVIATES_U:
        said[1].append(f"{text}: {off_mm:.2f} mm off")


def _positions(said: Reasons, profile: Profile, fit: CutFit) -> None:
    """The positions as a whole where they fit, else the one that is furthest off."""
    off, u, seen = _joint_positions(profile, fit)
    if not seen.any():
        return
    off_u = np.where(seen, np.abs(off) / u, 0.0)
    worst = int(np.argmax(off_u))
    if off_u[worst] >= DEVIATES_U:
        where = profile.positions_mm[worst] + off[worst] + fit.placed.shift_mm
        expected = profile.positions_mm[worst] + fit.placed.shift_mm
        text = f"cut {worst + 1} from the stop at {where:.2f} mm; this blade {expected:.2f}"
        said[1].append(f"{text}: {abs(off[worst]):.2f} mm off")
    else:
        rms = math.sqrt(float(np.mean(off[seen] ** 2)))
        said[0].append(f"{int(seen.sum())} cut positions within {rms:.2f} mm (RMS) of this blade's")


def _joint_positions(profile: Profile, fit: CutFit) -> tuple[Array, Array, NDArray[np.bool_]]:
    position, u = joint_positions(fit.placed.readings)
    off = position - np.asarray(profile.positions_mm) - fit.placed.shift_mm
    return off, np.hypot(u, POSITION_SD_MM), np.isfinite(off)


def _roots(said: Reasons, profile: Profile, blade: Blade, fit: CutFit) -> None:
    """The roots as a whole where they fit the depth codes, else the one that lies furthest from every code."""
    root, u = joint_roots(fit.placed.readings)
    seen = np.isfinite(root)
    if not seen.any():
        return
    table = np.asarray(profile.roots_mm)
    off = (
        root[:, None] - np.where(full_height(profile), 0.0, fit.codes.offset_mm) - table
    )  # lands don't wear with roots
    nearest = np.argmin(np.abs(off), axis=1)
    miss = off[np.arange(len(root)), nearest]
    made = profile.as_made_sd_mm or 0.0
    off_u = np.where(seen, np.abs(miss) / np.hypot(np.where(seen, u, 1.0), max(made, 0.02)), 0.0)
    worst = int(np.argmax(off_u))
    if off_u[worst] >= DEVIATES_U:
        code = profile.codes[nearest[worst]]
        said[1].append(
            f"root of cut {worst + 1} from the stop {in_mm(Length(float(root[worst]), float(u[worst])))} mm; nearest "
            f"code {code} is {table[nearest[worst]]:.2f}: {abs(miss[worst]):.2f} mm off"
        )
    else:
        said[0].append(f"roots within {math.sqrt(float(np.mean(miss[seen] ** 2))):.2f} mm (RMS) of this blade's codes")


def _unexplained(said: Reasons, fit: CutFit) -> None:
    station, off = fit.placed.lowest_off
    if off < -UNEXPLAINED_MM:
        said[1].append(f"edge {-off:.2f} mm lower at {station:.1f} mm than this blade's cuts leave it")
