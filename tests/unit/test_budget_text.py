"""The printed budget: its lines are the blade's, and its last line is what the lengths state."""

from __future__ import annotations

import pytest

from keyid.blades.blade_measure import measure_blade
from keyid.reports.budget_text import budget_text
from keyid.scales.scale import Variation
from tests.unit.known_scene import exact_outline, moved_focal, scale_of, view_of


def test_the_table_adds_up_to_the_stated_uncertainties() -> None:
    scene = view_of(picture=False)
    camera = scene.truth.camera
    variations = tuple(Variation("focal length", moved_focal(camera, factor)) for factor in (1.01, 0.985))
    scale = scale_of(scene, variations)
    blade, _ = measure_blade(exact_outline(scene), scale)
    lines = budget_text(blade).splitlines()
    sources = [line[:20].strip() for line in lines[1:-1]]
    assert sorted(sources) == sorted({line.source for line in blade.budget})  # each source once
    together = [float(value) for value in lines[-1][20:].split()]
    assert blade.length is not None
    stated = [blade.length.u_mm, blade.width.u_mm, blade.height_common_u_mm, blade.station_common_u_mm]
    assert together[:4] == pytest.approx(stated, abs=0.0006)  # three decimals
    columns = [[float(value) for value in line[20:].split()] for line in lines[1:]]
    for column in zip(*columns, strict=True):  # JCGM 100:2008, 5.1.2: the root of the sum of squares
        assert sum(value**2 for value in column[:-1]) ** 0.5 == pytest.approx(column[-1], abs=0.002)


def test_two_lines_of_one_source_are_one_row() -> None:
    scene = view_of(picture=False)
    camera = scene.truth.camera
    both = tuple(Variation("focal length", moved_focal(camera, 1.01)) for _ in range(2))
    rows = []
    for variations in (both[:1], both):
        blade, _ = measure_blade(exact_outline(scene), scale_of(scene, variations))
        rows.append(next(line for line in budget_text(blade).splitlines() if line.startswith("focal length")))
    one, two = (float(row[20:].split()[0]) for row in rows)
    assert two == pytest.approx(one * 2**0.5, abs=0.001)
