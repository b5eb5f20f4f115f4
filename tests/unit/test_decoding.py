"""Checks against exact edges of invented keys: what was put in must come out (no source needed)."""

import numpy as np
import pytest

from keyid.blades.blade import Blade, EdgeTrace
from keyid.profiles.profile import Profile
from keyid.rankings.cutmodel import CutShape, ideal_edge, shape_of
from keyid.rankings.decoding import EdgeReading, read_cuts
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured, with_heights

CODE = "3-1-4-2-5"
ROOTS = np.array([6.75, 7.75, 6.25, 7.25, 5.75])


def read(blade: Blade, profile: Profile) -> tuple[tuple[EdgeReading, ...], float]:
    traces = (blade.a, blade.b)[: profile.edges]
    return read_cuts(traces, np.asarray(profile.positions_mm), shape_of(profile), blade.width.mm)


def test_roots_and_positions_are_those_of_the_key() -> None:
    (reading,), shift = read(measured(key_of(PIER, CODE)), PIER)
    assert reading.root_mm == pytest.approx(ROOTS, abs=0.012)
    assert reading.position_mm == pytest.approx(PIER.positions_mm, abs=0.03)
    assert shift == pytest.approx(0.0, abs=0.02)


def test_what_is_measured_follows_the_key_not_the_profile() -> None:
    moved = key_of(PIER, CODE, moved_mm=0.3, lower_mm=0.11)
    (reading,), shift = read(measured(moved), PIER)
    assert reading.root_mm == pytest.approx(ROOTS - 0.11, abs=0.015)
    assert reading.position_mm == pytest.approx(np.asarray(PIER.positions_mm) + 0.3, abs=0.03)
    assert shift == pytest.approx(0.3, abs=0.02)


def test_stated_uncertainties_hold_the_truth() -> None:
    z_root, z_position = [], []
    for seed in range(40):
        (reading,), _ = read(measured(key_of(PIER, CODE), noise_mm=0.03, seed=seed), PIER)
        z_root.append((reading.root_mm - ROOTS) / reading.root_u_mm)
        z_position.append((reading.position_mm - np.asarray(PIER.positions_mm)) / reading.position_u_mm)
    for z in (np.concatenate(z_root), np.concatenate(z_position)):
        assert 0.9 <= np.mean(np.abs(z) <= 1.96) <= 1.0
        assert np.std(z) > 0.5, "uncertainties far too large tell nothing"


def test_a_stretch_on_another_edge_does_not_move_a_root() -> None:
    blade = with_heights(measured(key_of(PIER, CODE)), 11.0, 11.3, 0.4)
    (reading,), _ = read(blade, PIER)
    assert reading.root_mm[2] == pytest.approx(6.25, abs=0.02)


def test_a_hidden_root_is_not_read() -> None:
    blade = with_heights(measured(key_of(PIER, CODE)), 10.7, 12.1, np.nan)
    (reading,), _ = read(blade, PIER)
    assert np.isnan(reading.root_mm[2])
    assert np.isfinite(np.delete(reading.root_mm, 2)).all()


def test_one_flank_is_enough_for_a_position() -> None:
    blade = with_heights(measured(key_of(PIER, CODE)), 9.3, 10.75, np.nan)
    (reading,), _ = read(blade, PIER)
    assert reading.position_mm[2] == pytest.approx(11.4, abs=0.05)
    assert reading.position_u_mm[2] > 0.04


def test_a_full_height_cut_has_a_root_and_no_position() -> None:
    (a, b), _ = read(measured(key_of(QUAY, "1-3-1-4-2-1-3")), QUAY)
    for reading in (a, b):
        assert reading.root_mm == pytest.approx([9.0, 8.0, 9.0, 7.5, 8.5, 9.0, 8.0], abs=0.015)
        assert np.isnan(reading.position_mm).tolist() == [True, False, True, False, False, True, False]


def test_a_flat_eaten_by_its_neighbour_keeps_its_root() -> None:
    close = CutShape(0.6, 1.0)
    x = np.arange(0.0, 24.0, 0.05)
    positions, roots = np.array([6.0, 8.2, 12.0]), np.array([7.2, 5.6, 6.8])
    height, _ = ideal_edge(x, positions, roots, close, 8.0)
    trace = EdgeTrace(x, height, np.full(len(x), 0.005), 0.05)
    (reading,), _ = read_cuts((trace,), positions, close, 8.0)
    assert reading.root_mm == pytest.approx(roots, abs=0.04)


def test_a_wrong_spacing_shows_in_the_positions() -> None:
    (reading,), _ = read(measured(key_of(PIER, CODE)), MOLE)
    off = reading.position_mm - np.asarray(MOLE.positions_mm)
    assert np.nanmax(np.abs(off - np.nanmedian(off))) > 0.2 or np.isnan(off).sum() >= 2


def test_the_ideal_edge_is_the_lowest_of_its_cuts() -> None:
    height, peak = ideal_edge(np.array([0.0, 3.0, 4.0, 5.0]), np.array([4.0]), np.array([6.0]), CutShape(0.5, 1.0), 8.0)
    assert height == pytest.approx([8.0, 6.5, 6.0, 6.5])
    assert np.isfinite(peak).all()
