"""Caliper values on readings made up for the purpose (no source needed: the outcome follows from the numbers)."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from keyid.commands.cli import main
from keyid.commands.confirm import CaliperValue
from keyid.length import Length
from keyid.rankings.ranking import rank
from keyid.readings.bitting import confirm_list, next_measurement, read_bitting
from keyid.readings.confirm import HandValue, confirmed, hand_measurements
from keyid.readings.reading import Reading
from tests.unit.example_reading import reading as example
from tests.unit.measured_blade import MOLE, PIER, key_of, measured

CODE = "3-1-4-2-5"
WIDE = replace(PIER, id="pier-wide", name="Wide pier", width_mm=8.12)
LIBRARY = (PIER, WIDE, MOLE)
BY_ID = {profile.id: profile for profile in LIBRARY}


def reading_of(width: Length, root_u_mm: float | None = None) -> dict[str, Any]:
    """A reading of a Pier key, its width between those of two blades that are otherwise alike."""
    blade = replace(measured(key_of(PIER, CODE)), width=width)
    ranking = rank(blade, LIBRARY)
    bitting = read_bitting(ranking, blade)
    whole: Reading = replace(
        example(),
        candidates=tuple(
            replace(example().candidates[0], profile=c.profile, probability=c.probability, group=c.group)
            for c in ranking.candidates
        ),
        others=ranking.others,
        none_of_these=ranking.none_of_these,
        blade=replace(example().blade, width=width, length=blade.length),
        bitting=bitting,
        next_measurement=next_measurement(ranking, blade),
        confirm=confirm_list(ranking, bitting, blade),
    )
    return whole.to_json()


def probability_of(reading: dict[str, Any], profile: str) -> float:
    return float(next(c["probability"] for c in reading["candidates"] if c["profile"] == profile))


def test_the_width_is_asked_for_where_blades_differ_in_it_and_decides() -> None:
    reading = reading_of(Length(8.06, 0.05))
    assert 0.2 < probability_of(reading, "pier-5") < 0.8
    assert hand_measurements(reading, BY_ID)[0].value.what == "width"
    new, said = confirmed(reading, BY_ID, [HandValue("width", 8.0)])
    assert said == []
    assert probability_of(new, "pier-5") > 0.95
    new, _ = confirmed(reading, BY_ID, [HandValue("width", 8.12)])
    assert new["candidates"][0]["profile"] == "pier-wide"
    total = sum(c["probability"] for c in new["candidates"]) + new["others"] + new["none_of_these"]
    assert total == pytest.approx(1.0)


def test_an_unsure_cut_is_decided_by_its_caliper_value() -> None:
    reading = reading_of(Length(8.0, 0.02))
    cut = reading["bitting"]["cuts"][2]
    blade_p = cut["probability"]
    cut.update(code="3", probability=0.55 * blade_p, others=[["4", 0.45 * blade_p]], root={"value": 6.5, "u": 0.2})
    reading["bitting"].update(code="3-1-3-2-5", probability=0.55 * blade_p, also=[["3-1-4-2-5", 0.45 * blade_p]])
    assert hand_measurements(reading, BY_ID)[0].value == HandValue("root", 0.0, 3)
    new, said = confirmed(reading, BY_ID, [HandValue("root", 6.26, 3)])
    assert said == []
    assert new["bitting"]["code"] == CODE
    assert new["bitting"]["cuts"][2]["probability"] > 0.95 * blade_p
    assert new["bitting"]["probability"] > 0.9 * blade_p
    assert new["bitting"]["cuts"][2]["root"]["value"] == pytest.approx(6.26, abs=0.02)


def test_a_whole_bitting_is_never_surer_than_its_least_sure_cut() -> None:
    reading = reading_of(Length(8.0, 0.02))
    new, said = confirmed(reading, BY_ID, [HandValue("root", 6.75, 3)])  # a code that the photo all but rules out
    assert said
    assert new["bitting"]["probability"] <= min(cut["probability"] for cut in new["bitting"]["cuts"])


def test_contradictions_are_told() -> None:
    reading = reading_of(Length(8.0, 0.02))
    _, said = confirmed(reading, BY_ID, [HandValue("width", 8.9)])
    assert said == ["The width across the uncut blade is 8.90 mm by hand, 8.00 ±0.04 mm in the photo: measure again."]
    _, said = confirmed(reading, BY_ID, [HandValue("root", 6.25, 3), HandValue("root", 6.6, 3)])
    assert said[0] == "Your two values of cut 3 contradict each other: 6.25 and 6.60 mm."
    assert any("is no depth of the blade" in sentence or "measure again" in sentence for sentence in said[1:])


def test_a_value_of_a_cut_that_the_reading_lacks_is_told_and_left_out() -> None:
    reading = reading_of(Length(8.06, 0.05))
    for form, cut in ((reading, 9), ({**reading, "bitting": None}, 3)):
        new, said = confirmed(form, BY_ID, [HandValue("root", 6.25, cut)])
        assert said == [f"This reading has no cut {cut} to compare 6.25 mm with."]
        assert new["candidates"] == reading["candidates"]


@pytest.mark.parametrize("group", ["pier-5", "pier-twin"])
def test_a_groove_by_hand_tells_blades_apart_and_keeps_their_bitting(group: str) -> None:
    """Whether or not the photo told the two apart before."""
    twin = replace(PIER, id="pier-twin", grooves_left_mm=((1.9, 3.4),))
    reading = reading_of(Length(8.0, 0.02))
    reading["candidates"] = [
        {**reading["candidates"][0], "profile": name, "probability": 0.49, "group": of}
        for name, of in (("pier-5", "pier-5"), ("pier-twin", group))
    ]
    reading.update(others=0.0, none_of_these=0.02)
    profiles = {"pier-5": PIER, "pier-twin": twin}
    assert hand_measurements(reading, profiles)[0].value.what == "left-near"
    new, said = confirmed(reading, profiles, [HandValue("left-near", 1.92)])
    assert (said, new["candidates"][0]["profile"]) == ([], "pier-twin")
    assert (new["bitting"]["code"], new["bitting"]["profile"]) == (CODE, "pier-twin")
    before_p, blade_p = (
        sum(c["probability"] for c in one["candidates"] if c["group"] == one["candidates"][0]["group"])
        for one in (reading, new)
    )
    expected = reading["bitting"]["probability"] * blade_p / before_p
    assert new["bitting"]["probability"] == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(("typed", "mm"), [("8.41", 8.41), ("8,41 mm", 8.41), ("0.331in", 8.4074), ('0.331"', 8.4074)])
def test_values_are_taken_in_mm_and_inches(typed: str, mm: float) -> None:
    assert CaliperValue().convert(typed, None, None) == pytest.approx(mm)


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    """A reading on disk, and the folder of its library (the shipped samples' blades won't do)."""
    from keyid.profiles.library import load_library

    folder = Path(__file__).parents[2] / "reference_profiles" / "samples"
    ids = [profile.id for profile in load_library(folder).profiles]
    reading = reading_of(Length(8.06, 0.05))
    for candidate, name in zip(reading["candidates"], ids, strict=False):
        candidate["profile"] = name
    reading["bitting"] = None
    path = tmp_path / "reading.json"
    path.write_text(json.dumps(reading))
    return path, folder


def test_the_command_writes_the_new_reading_for_its_owner_only(files: tuple[Path, Path], tmp_path: Path) -> None:
    path, folder = files
    new = tmp_path / "new.json"
    options = ["--profiles", str(folder), "--width", "0.331in", "--json", "--write", str(new)]
    result = CliRunner().invoke(main, ["confirm", str(path), *options])
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout) == json.loads(new.read_text())
    assert new.stat().st_mode & 0o077 == 0


def test_the_command_asks_one_by_one_and_shows_the_cautions(files: tuple[Path, Path]) -> None:
    path, folder = files
    asked = CliRunner().invoke(main, ["confirm", str(path), "--profiles", str(folder), "--ask"], input="\n")
    assert asked.exit_code == 0, asked.output
    for caution in json.loads(path.read_text())["cautions"]:
        assert caution in " ".join(asked.stdout.split())


def test_the_command_answers_as_a_reading_does(files: tuple[Path, Path]) -> None:
    """What was measured, what clashes, the verdict, what to do: in lines of a small terminal."""
    path, folder = files
    options = ["--profiles", str(folder), "--width", "7", "--length", "28.4"]
    told = CliRunner().invoke(main, ["confirm", str(path), *options]).stdout.splitlines()
    labels = [line[:10].strip() for line in told if line[:10].strip()]
    assert labels[:2] == ["By hand", "Clash"]
    assert "width: 7.00 mm; length: 28.40 mm" in told[0]
    assert labels.index("Verdict") < labels.index("Do now") < labels.index("Beware")
    assert max(map(len, told)) <= 80
    assert " 0 %" not in "\n".join(told)


def test_wrong_use_is_told_without_a_traceback(files: tuple[Path, Path], tmp_path: Path) -> None:
    path, folder = files
    other = tmp_path / "other.json"
    other.write_text("{}")
    assert CliRunner().invoke(main, ["confirm", str(other)]).exit_code == 2
    for option in (["--width", "wide"], ["--root", "3:6.6"], ["--root", "9=6.6"]):
        result = CliRunner().invoke(main, ["confirm", str(path), "--profiles", str(folder), *option])
        assert result.exit_code == 2, option
        assert "Error" in result.stderr


LOOK = {"what": "Look at both faces of the blade for cuts.", "why": "Tracks or dimples: a key cut on its face."}


def test_a_look_that_was_asked_for_is_asked_for_until_it_decides_nothing() -> None:
    sure = reading_of(Length(8.0, 0.01))
    sure["candidates"] = [{**sure["candidates"][0], "probability": 0.99}]
    sure["bitting"] = None
    assert hand_measurements(sure, BY_ID) == []
    uncut = {**sure, "next_measurement": LOOK, "blade": {**sure["blade"], "edges": None}}
    assert confirmed(uncut, BY_ID, [HandValue("width", 8.0)])[0]["next_measurement"] == LOOK
    only_blade_left = {**sure, "next_measurement": LOOK}
    assert confirmed(only_blade_left, BY_ID, [])[0]["next_measurement"] is None
    measured_before = {**uncut, "next_measurement": {"what": "Measure the width.", "why": "It tells."}}
    assert confirmed(measured_before, BY_ID, [])[0]["next_measurement"] is None
