"""A thickness that a profile tells: scaling what was measured with a usual one gives what measuring with it gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyid.blades.blade import Blade
from keyid.blades.blade_measure import measure_blade
from keyid.length import Length
from keyid.outlines.lie import THICKNESS, THICKNESS_MM, THICKNESS_U_MM
from keyid.outlines.outline import seen_by
from keyid.rankings.ranking import rank
from keyid.rankings.thickness import MADE_SD_MM, told_thickness, with_thickness
from tests.unit.known_scene import KEY, VIEWS, exact_outline, scale_of, view_of
from tests.unit.measured_blade import PIER, key_of, measured

ROUNDING_MM = 0.004  # of scaling about a plane that the camera sees aslant


def assumed_as_usual(thickness_mm: float, view: tuple[float, float, float]) -> Blade:
    """A blade so thick, measured with the usual thickness."""
    tilt, azimuth, yaw = view
    key = replace(KEY, thickness_mm=thickness_mm, head_thickness_mm=thickness_mm)
    scene = view_of(key, tilt_deg=tilt, azimuth_deg=azimuth, yaw_deg=yaw, picture=False)
    outline = exact_outline(scene, thickness_u_mm=THICKNESS_U_MM)
    usual = replace(outline.inputs, thickness_mm=THICKNESS_MM)
    return measure_blade(seen_by(outline, outline.camera, usual), scale_of(scene))[0]


@settings(deadline=None, max_examples=25)
@given(st.floats(1.5, 3.3), st.sampled_from(VIEWS))
def test_lengths_are_true_once_the_thickness_is(thickness_mm: float, view: tuple[float, float, float]) -> None:
    usual = assumed_as_usual(thickness_mm, view)
    told = with_thickness(usual, Length(thickness_mm, MADE_SD_MM))
    share = MADE_SD_MM**2 / THICKNESS_U_MM**2  # of the error: blades of one profile differ a little too
    left_mm = ROUNDING_MM + share * abs(usual.width.mm - KEY.width_mm)
    assert told.width.mm == pytest.approx(KEY.width_mm, abs=left_mm)
    at = np.array([7.0, 11.0, 15.0])  # between the cuts
    height = np.interp(at, told.a.x_mm, told.a.height_mm)
    np.testing.assert_allclose(height, KEY.height_mm("a", at), atol=3 * left_mm)
    assert told.length is not None
    assert told.length.mm == pytest.approx(KEY.length_mm, abs=0.02)


def test_a_thick_blade_is_measured_too_large_without_it() -> None:
    usual = assumed_as_usual(3.25, VIEWS[0])
    # Its face is 1 mm nearer to a camera 220 mm away than was assumed.
    assert usual.width.mm == pytest.approx(KEY.width_mm * (1 + 1.0 / (220 - 3.25)), abs=0.005)
    assert with_thickness(usual, Length(3.25, MADE_SD_MM)).width.mm == pytest.approx(KEY.width_mm, abs=0.005)


def test_uncertainties_stay_the_root_sum_of_the_budgets_squares() -> None:
    usual = assumed_as_usual(2.8, VIEWS[1])
    told = with_thickness(usual, Length(2.8, MADE_SD_MM))
    columns = {
        "width_mm": told.width.u_mm,
        "height_mm": told.height_common_u_mm,
        "station_mm": told.station_common_u_mm,
        "stretch": told.stretch_u,
    }
    for name, u in columns.items():
        assert u == pytest.approx(np.sqrt(sum(getattr(line, name) ** 2 for line in told.budget)))
    (line,) = (line for line in told.budget if line.source == THICKNESS)
    (before,) = (line for line in usual.budget if line.source == THICKNESS)
    # Two independent statements of one thing: 1 / u^2 add up.
    u_mm = 1 / np.hypot(1 / THICKNESS_U_MM, 1 / MADE_SD_MM)
    assert line.width_mm == pytest.approx(before.width_mm * u_mm / THICKNESS_U_MM)
    assert told.thickness is not None
    assert told.thickness.u_mm == pytest.approx(u_mm)


@pytest.mark.parametrize("assumed", [None, Length(2.25, 0.45)])
def test_nothing_changes_where_nothing_is_told_or_known_of_its_effect(assumed: Length | None) -> None:
    blade = replace(measured(key_of(PIER, "6-5-2-5-6")), thickness=assumed)  # no budget tells what a thickness does
    assert with_thickness(blade, Length(2.8, MADE_SD_MM)) is blade
    usual = assumed_as_usual(2.8, VIEWS[0])
    assert with_thickness(usual, None) is usual


def test_a_thickness_that_is_hardly_known_hardly_counts() -> None:
    usual = assumed_as_usual(3.25, VIEWS[0])
    sure, unsure = (
        with_thickness(usual, told_thickness(replace(PIER, thickness_mm=3.25, thickness_sd_mm=sd)))
        for sd in (None, 0.45)
    )
    moved = [usual.width.mm - told.width.mm for told in (sure, unsure)]
    # Between two figures as unsure as each other the mean lies half way.
    assert moved[1] == pytest.approx(moved[0] / 2, rel=0.02)
    assert told_thickness(replace(PIER, thickness_mm=None)) is None


def test_roots_are_measured_with_the_thickness_of_the_profile_under_test() -> None:
    usual = assumed_as_usual(3.2, VIEWS[0])
    positions, roots = zip(*((cut.position_mm, cut.root_mm) for cut in KEY.cuts), strict=True)
    thin = replace(
        PIER,
        thickness_mm=None,
        grooves_left_mm=(),
        grooves_right_mm=(),
        width_mm=KEY.width_mm,
        length_mm=KEY.length_mm,
        positions_mm=positions,
        positions_sd_mm=(),
    )
    found = {}
    for told in (None, 3.2):
        decoded = rank(usual, (replace(thin, thickness_mm=told),)).candidates[0].decoded
        found[told] = np.array([root.mm for root in decoded.roots if root is not None]) - roots
    assert np.sqrt(np.mean(found[3.2] ** 2)) < 0.6 * np.sqrt(np.mean(found[None] ** 2))
