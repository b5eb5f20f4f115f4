"""A profile learned from the photo of an uncut blank, against the profile file that its picture was rendered from."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from keyid.commands.cli import main
from keyid.profiles.library import load_library
from tests.conftest import SAMPLES

MANY_U = 3.0  # standard uncertainties: passed by chance once in 370 lengths if u is right
RIM_MM = 0.15  # three standard uncertainties of a groove's rim


def test_from_the_sample_blank(tmp_path: Path) -> None:
    true = {profile.id: profile for profile in load_library().profiles}["fam-23"]
    told = ("--name", "Learned", "--cuts-of", true.id, "--edges", "2")
    blank = str(SAMPLES / "uncut-blank.jpg")
    result = CliRunner().invoke(main, ["profiles", "add", str(tmp_path / "l.toml"), "--blank", blank, *told])
    assert result.exit_code == 0, result.output
    (made,) = load_library(tmp_path).profiles
    assert (made.status, made.stop, made.edges) == ("measured", true.stop, 2)
    assert made.length_mm is not None
    assert true.length_mm is not None
    assert abs(made.width_mm - true.width_mm) < MANY_U * (made.width_sd_mm or 0.0)
    assert abs(made.length_mm - true.length_mm) < MANY_U * (made.length_sd_mm or 0.0)
    rims, true_rims = ([rim for groove in one.grooves_left_mm for rim in groove] for one in (made, true))
    assert rims in ([], pytest.approx(true_rims, abs=RIM_MM))  # left out where the edges they count from are not sure
    assert made.tip_mm[0][1] == pytest.approx(made.width_mm, abs=0.01)
    assert made.tip_mm[-1][1] == pytest.approx(0.0, abs=0.01)
    assert math.isclose(max(x for x, _ in made.tip_mm), made.length_mm, abs_tol=MANY_U * (made.length_sd_mm or 0.0))
