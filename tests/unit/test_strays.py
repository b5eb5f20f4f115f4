"""Checks of the chain of stretches on the edge and astray (its sum over all ways: exact enumeration)."""

from itertools import pairwise, product

import numpy as np
import pytest

from keyid.rankings.strays import STRAY_MEAN_MM, STRAYS_PER_MM, with_strays

SD_MM = 0.03


def log_likelihood(height: np.ndarray, model: np.ndarray | float = 0.0) -> float:
    x = np.arange(len(height)) * 0.1
    right = np.exp(-0.5 * ((height - model) / SD_MM) ** 2) / (np.sqrt(2 * np.pi) * SD_MM) + 1e-12
    return with_strays(x, height, np.full(len(x), 0.33), right, height - model)


def test_the_sum_over_all_ways_is_complete() -> None:
    rng = np.random.default_rng(1)
    n = 7
    right, weight = rng.uniform(0.1, 10, n), np.ones(n)
    x, height = np.arange(n) * 1.0, np.zeros(n)  # too far apart to tell of each other: 1 / 3 mm each
    leave, back = 1 - np.exp(-STRAYS_PER_MM), 1 - np.exp(-1 / STRAY_MEAN_MM)
    move = np.array([[1 - leave, leave], [back, 1 - back]])
    start = np.array([1 - STRAYS_PER_MM * STRAY_MEAN_MM, STRAYS_PER_MM * STRAY_MEAN_MM])
    total = 0.0
    for way in product((0, 1), repeat=n):
        p = start[way[0]]
        for before, after in pairwise(way):
            p *= move[before, after]
        for here, density in zip(way, right, strict=True):
            p *= 1 / 3 if here else density
        total += p
    assert with_strays(x, height, weight, right, height) == pytest.approx(np.log(total))


def test_beyond_the_blade_s_own_rims_it_does_not_matter_how_far_off_a_stretch_is() -> None:
    edge = np.random.default_rng(2).normal(0, SD_MM, 200)
    clean = log_likelihood(edge)
    costs = []
    for off in (0.4, 1.0, 3.0):
        astray = edge.copy()
        astray[80:110] += off
        costs.append(clean - log_likelihood(astray))
    near, far, further = costs
    assert further - far < 1.0
    assert 8.0 < near < far < 40.0


def test_a_long_stretch_costs_far_less_than_as_many_short_ones() -> None:
    edge = np.random.default_rng(3).normal(0, SD_MM, 300)
    one, many = edge.copy(), edge.copy()
    one[100:130] += 0.6
    for start in (20, 70, 120, 170, 220):
        many[start : start + 6] += 0.6
    assert log_likelihood(one) - log_likelihood(many) > 15.0


def test_nothing_seen_tells_nothing() -> None:
    nothing = np.empty(0)
    assert with_strays(nothing, nothing, nothing, nothing, nothing) == 0.0
