"""The rims: best paths, sub-pixel places, and what is found on clean scenes."""

from __future__ import annotations

import itertools
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf, expit

from keyid.outlines.outline import EDGE_U_MM, EdgePoints, Outline
from keyid.outlines.rims import (
    BEND_COST,
    MOVES,
    STRIDE,
    Rim,
    Side,
    best_path,
    edge_strength,
    follow,
    refine,
    undecided_mm,
)
from keyid.outlines.segmentation import ODDS_LIMIT
from keyid.outlines.strip import STEP_MM
from tests.benchmarks.edge_bound import bound, errors
from tests.scene import Scene
from tests.unit.known_scene import KEY, VIEWS, found_on_face, viewed

Array = NDArray[np.float64]
Image = NDArray[np.float32]
Path = tuple[tuple[int, ...], tuple[int, ...]]  # rows, and the moves by which they were reached

# --- best paths ------------------------------------------------------------------------------------------------------


def every_path(rows: int, columns: int) -> list[Path]:
    """All paths by moves."""
    paths: list[Path] = [((row,), ()) for row in range(rows)]
    for _ in range(columns - 1):
        paths = [
            ((*at, at[-1] + move), (*moves, move)) for at, moves in paths for move in MOVES if 0 <= at[-1] + move < rows
        ]
    return paths


def worth(path: Path, strength: Image, support: Image) -> float:
    """What a path earns: every sample's reward less bends."""
    at, moves = path
    total = float(strength[MOVES.index(0), at[0], 0] + support[at[0], 0])
    for column, (row, move) in enumerate(zip(at[1:], moves, strict=True), start=1):
        bend = 0 if column == 1 else abs(move - moves[column - 2])
        total += float(strength[MOVES.index(move), row, column] + support[row, column]) - BEND_COST * bend
    return total


def drawn(seed: int, rows: int, columns: int) -> tuple[Image, Image]:
    rng = np.random.default_rng(seed)
    strength = rng.uniform(0, 1.5, (len(MOVES), rows, columns)).astype(np.float32)
    return strength, rng.uniform(0, 0.5, (rows, columns)).astype(np.float32)


@pytest.mark.parametrize("seed", range(6))
def test_the_path_found_is_the_best_of_all(seed: int) -> None:
    strength, support = drawn(seed, 7, 5)
    best = max(every_path(7, 5), key=lambda path: worth(path, strength, support))
    rows, moves = best_path(strength, support)
    assert tuple(rows) == best[0]
    assert tuple(moves[1:]) == best[1]


# --- sub-pixel -------------------------------------------------------------------------------------------------------


def edge_side(slope: float, blur_samples: float, bright: float = 0.6, dark: float = 0.1) -> tuple[Side, Array]:
    """A straight blurred edge in linear light, coded as sRGB, and its place outward in each column, mm."""
    rows, columns = np.mgrid[:90, :120].astype(float)
    centre = 45.3 + slope * (columns[0] - 60)
    distance = (rows - centre) / np.hypot(1, slope)
    light = dark + (bright - dark) * 0.5 * (1 - erf(distance / (np.sqrt(2) * blur_samples)))
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    values = np.repeat(coded[..., None], 3, axis=2).astype(np.float32)
    out = 2.0 + STEP_MM * np.arange(90)
    return Side(values, *np.zeros((2, 90, 120), np.float32), STEP_MM * np.arange(120), out), out[0] + STEP_MM * centre


def refined(slope: float, move: int, blur_samples: float, off_samples: float) -> Array:
    """Errors of the refined places, when the path runs beside the edge by so many samples (and rounds to rows)."""
    side, truth = edge_side(slope, blur_samples)
    columns = np.arange(40, 80, STRIDE)
    path = np.round((truth[columns] - side.out_mm[0]) / STEP_MM + off_samples)
    rim = Rim(columns, side.out_mm[0] + path * STEP_MM, np.full(len(columns), move))
    place, gradient = refine(side, rim)
    assert gradient.min() > 0
    return np.asarray(place - truth[columns])


@pytest.mark.parametrize("blur_samples", [1.0, 2.0])
@pytest.mark.parametrize(("slope", "move"), [(0.0, 0), (0.5, 1), (-1.0, -2), (1.0, 2), (-1.5, -3)])
def test_a_blurred_edge_is_placed_to_a_tenth_of_a_sample(slope: float, move: int, blur_samples: float) -> None:
    # A tenth of a pixel, at right angles to the edge, is what gradient peaks give (Devernay, INRIA RR-2724, 1995).
    assert np.abs(refined(slope, move, blur_samples, 0.0)).max() < 0.1 * STEP_MM * np.hypot(1.0, slope)


@pytest.mark.parametrize("off_samples", [-1.5, 1.5])
@pytest.mark.parametrize("blur_samples", [1.0, 2.0])
@pytest.mark.parametrize(("slope", "move"), [(0.0, 0), (-1.0, -2), (0.35, 1), (-0.85, -2), (0.2, 0)])
def test_a_path_beside_the_edge_with_another_slope_finds_it_too(
    slope: float, move: int, blur_samples: float, off_samples: float
) -> None:
    # Slopes between the moves and a path 0.06 mm off cost less than the uncertainty that is stated for an edge.
    assert np.abs(refined(slope, move, blur_samples, off_samples)).max() < EDGE_U_MM * np.hypot(1.0, slope)


def test_contrast_does_not_move_an_edge_but_weakens_it() -> None:
    columns = np.arange(40, 80, STRIDE)
    found = []
    for bright in (0.2, 0.9):
        side, truth = edge_side(0.0, 1.5, bright=bright)
        rim = Rim(columns, truth[columns], np.zeros(len(columns), int))
        found.append(refine(side, rim))
    np.testing.assert_allclose(found[0][0], found[1][0], atol=0.05 * STEP_MM)  # half of the tolerance above
    assert found[1][1].mean() == pytest.approx(8 * found[0][1].mean(), rel=0.02)  # (0.9 - 0.1) / (0.2 - 0.1)


def test_a_sharp_edge_counts_and_a_soft_border_does_not() -> None:
    sharp, soft = (edge_strength(edge_side(0.0, blur)[0].values)[MOVES.index(0)][:, 60] for blur in (1.0, 12.0))
    assert np.argmax(sharp) in (45, 46)
    assert sharp.max() > 0.6
    assert soft.max() < 0.25  # 12 samples are half a millimetre: a shadow's border


@pytest.mark.parametrize("move", [-3, 0, 2])
def test_an_edge_is_strongest_with_its_own_slope(move: int) -> None:
    strength = edge_strength(edge_side(move / STRIDE, 1.0)[0].values)[:, 30:60, 55:65].max(axis=(1, 2))
    assert abs(MOVES[int(np.argmax(strength))] - move) <= 1  # neighbours differ by a few per cent


@pytest.mark.parametrize("blur_samples", [1.0, 1.5])
@pytest.mark.parametrize("noise", [0.01, 0.03])
def test_noise_moves_an_edge_by_less_than_twice_the_cramer_rao_bound(blur_samples: float, noise: float) -> None:
    assert np.std(errors(blur_samples, noise)) < 2 * bound(blur_samples, noise)
    assert abs(np.mean(errors(blur_samples, noise))) < 0.1  # of a sample, as without noise


# --- which edge ------------------------------------------------------------------------------------------------------


def two_edges(odds_at_row: float) -> Side:
    """Two level edges alike, in rows 30 and 50, and regions whose face ends at a row."""
    values = np.zeros((90, 120, 3), np.float32)
    values[:30], values[30:50], values[50:] = 0.8, 0.5, 0.2
    values = cv2.GaussianBlur(values, (0, 0), 1.5)
    odds = np.repeat(np.where(np.arange(90) < odds_at_row, 2.0, -2.0).astype(np.float32)[:, None], 120, axis=1)
    return Side(values, odds, odds, STEP_MM * np.arange(120), STEP_MM * np.arange(90))


@pytest.mark.parametrize(("ends_at_row", "row"), [(28.0, 30), (32.0, 30), (48.0, 50), (53.0, 50)])
def test_of_two_edges_the_one_where_the_face_ends_is_followed(ends_at_row: float, row: int) -> None:
    side = two_edges(ends_at_row)
    place, _ = refine(side, follow(side))
    np.testing.assert_allclose(place, (row - 0.5) * STEP_MM, atol=0.5 * STEP_MM)  # blurred as coded, not as light


def undecided(odds: Array, move: int = 0, alone: Array | None = None) -> float:
    """Band of undecided regions at a rim in row 45 whose odds are those, by row; ``alone``: before colours."""
    both = (odds, odds if alone is None else alone)
    layers = [np.repeat(one[:, None], 120, axis=1).astype(np.float32) for one in both]
    side = replace(two_edges(45.0), odds=layers[0], odds_alone=layers[1])
    columns = np.arange(40, 80, STRIDE)
    rim = Rim(columns, np.full(len(columns), side.out_mm[45]), np.full(len(columns), move))
    return float(undecided_mm(side, rim).mean())


def test_what_colours_decided_is_undecided_where_the_network_alone_was() -> None:
    sure = np.where(np.arange(90) < 45, ODDS_LIMIT, -ODDS_LIMIT)
    unsure = np.where(np.abs(np.arange(90) - 44.5) < 10, 0.0, sure)
    assert undecided(sure, alone=unsure) == pytest.approx(undecided(unsure))
    assert undecided(unsure, alone=sure) == pytest.approx(undecided(unsure))


def test_regions_that_are_sure_leave_nothing_undecided() -> None:
    assert undecided(np.where(np.arange(90) < 45, ODDS_LIMIT, -ODDS_LIMIT)) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("rows", [5, 10, 20])
def test_a_band_of_even_odds_is_as_wide_as_it_is(rows: int) -> None:
    odds = np.where(np.arange(90) < 45, ODDS_LIMIT, -ODDS_LIMIT)
    odds[45 - rows // 2 : 45 - rows // 2 + rows] = 0.0
    sure = expit(ODDS_LIMIT)
    assert undecided(odds) == pytest.approx(rows * STEP_MM * (1 - 4 * sure * (1 - sure)))
    assert undecided(odds, move=STRIDE) == pytest.approx(undecided(odds) / np.sqrt(2))  # across a rim at 45 degrees


def test_where_no_edge_shows_the_regions_lead() -> None:
    side = replace(two_edges(40.0), values=np.full((90, 120, 3), 0.5, np.float32))
    np.testing.assert_allclose(follow(side).out_mm, 39.5 * STEP_MM, atol=STEP_MM)


# --- clean scenes ----------------------------------------------------------------------------------------------------


def edges_of(scene: Scene, outline: Outline) -> tuple[tuple[Array, EdgePoints], tuple[Array, EdgePoints]]:
    """Cut and uncut edge on the true face, with their points; KEY has edge a on the left, so upper."""
    return tuple((found_on_face(scene, outline, points), points) for points in (outline.upper, outline.lower))  # type: ignore[return-value]


@pytest.mark.parametrize("view", VIEWS)
def test_the_uncut_edge_is_found_on_the_upper_rim(view: tuple[float, float, float]) -> None:
    scene, outline = viewed(*view)
    (_, _), (found, points) = edges_of(scene, outline)
    on_blade = (found[:, 0] > 0.5) & (found[:, 0] < KEY.length_mm - KEY.tip_reach_mm - 0.3)
    assert on_blade.sum() > 200
    assert np.isfinite(points.u_mm[on_blade]).all()
    # The stated uncertainty of a sharp edge is 0.012 mm; three quarters of a 0.065 mm pixel would be 0.05 mm.
    assert np.abs(found[on_blade, 1]).max() < 0.05
    assert abs(np.median(found[on_blade, 1])) < 0.012


@pytest.mark.parametrize("view", VIEWS)
def test_the_cut_edges_levels_are_found_on_the_upper_rim(view: tuple[float, float, float]) -> None:
    scene, outline = viewed(*view)
    (found, _), _ = edges_of(scene, outline)
    for cut in KEY.cuts:
        flat = np.abs(found[:, 0] - cut.position_mm) < KEY.flat_mm / 2 - 0.2  # past the smoothing at the flat's ends
        assert flat.sum() >= 5
        assert abs(np.median(found[flat, 1]) - cut.root_mm) < 0.02  # 1.6 standard uncertainties of a sharp edge
    land = (found[:, 0] > 1.0) & (found[:, 0] < KEY.cuts[0].position_mm - KEY.flat_mm / 2 - 1.4 - 0.3)
    assert np.abs(found[land, 1] - KEY.width_mm).max() < 0.05


@pytest.mark.parametrize("view", [VIEWS[0], *VIEWS[2:]])  # in the second the camera faces every flank
def test_averted_flanks_are_found_where_they_are(view: tuple[float, float, float]) -> None:
    scene, outline = viewed(*view)
    (found, points), _ = edges_of(scene, outline)
    wall = outline.lie.wall(np.stack([points.s_mm, points.v_mm], axis=-1), outline.camera)
    offs = []
    for side, cut in itertools.product((-1, 1), KEY.cuts):
        run = np.abs(found[:, 0] - cut.position_mm - side * (KEY.flat_mm / 2 + 0.5)) < 0.25  # inside the flank
        outward = np.array([-side, 1.0]) / np.sqrt(2)  # the flanks slope by 45 degrees
        if np.max(wall[run] @ outward) < 0:  # its wall can't be seen
            across = found[run, 1] - KEY.height_mm("a", found[run, 0])
            offs.append(float(np.median(across)) / np.sqrt(2))
    assert len(offs) >= 3
    assert np.abs(offs).max() < 0.05  # as for the uncut edge
