"""Keys compared with copies of known faults, on exact edges of invented keys (no source needed)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from keyid.blades.blade import Blade
from keyid.commands.cli import main
from keyid.readings.comparison import Comparison, compare_keys
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured

CODE = "3-1-4-2-5"
LIBRARY = (PIER, MOLE, QUAY)


def pier(code: str = CODE, moved_mm: float = 0.0, lower_mm: float = 0.0, seed: int = 0) -> Blade:
    return measured(key_of(PIER, code, moved_mm=moved_mm, lower_mm=lower_mm), seed=seed)


def compared(new: Blade, old: Blade | None = None) -> Comparison:
    return compare_keys(pier() if old is None else old, new, LIBRARY)


def test_a_right_copy_is_the_same_and_so_is_one_of_a_worn_key() -> None:
    result = compared(pier(seed=1))
    assert result.same > 0.9
    assert [cut.difference.mm for cut in result.cuts if cut.difference] == pytest.approx([0.0] * 5, abs=0.02)
    assert compared(pier(seed=1), old=pier(lower_mm=0.11)).same > 0.85


def test_one_cut_a_step_off_is_named() -> None:
    result = compared(pier("3-1-5-2-5"))
    assert result.same < 0.1
    assert "Cut 3: the new key has 0.50 mm less metal left, another depth." in result.notes


def test_cuts_off_their_stop_are_told() -> None:
    result = compared(pier(moved_mm=0.35))
    assert result.same < 0.1
    assert result.shift is not None
    assert result.shift.mm == pytest.approx(0.35, abs=0.03)
    assert any("0.35 mm further from the stop" in note for note in result.notes)


def test_a_traced_copy_is_told() -> None:
    assert compared(pier(lower_mm=0.12)).same < 0.5


def test_a_new_key_that_is_worn_is_the_same_when_its_use_is_told() -> None:
    worn = pier(lower_mm=0.12)
    assert any("--used" in note for note in compared(worn).notes)
    used = compare_keys(pier(), worn, LIBRARY, new_is_used=True)
    assert used.same > 0.85
    assert not any("too low" in note for note in used.notes)
    other = compare_keys(pier(), pier("3-1-5-2-5", lower_mm=0.12), LIBRARY, new_is_used=True)
    assert other.same < 0.2  # another depth stays another depth, unless one of the two was misread


def test_keys_of_two_blades_are_not_the_same() -> None:
    assert compared(measured(key_of(QUAY, "2-3-1-4-2-1-3"))).same < 0.01


def test_nothing_to_compare_is_told() -> None:
    uncut = replace(measured(key_of(PIER, CODE, cuts=())), edges=None)
    assert compared(uncut).notes == ("The new key has no cuts on its edges: look at the faces.",)
    assert compared(uncut).same == 0.0
    assert compare_keys(uncut, uncut, LIBRARY).notes == ("Neither key has cuts on its edges.",)


def test_the_fixed_form() -> None:
    form = compared(pier(seed=1)).to_json()
    assert list(form) == ["format", "same", "cuts", "shift_mm", "notes"]
    assert form["format"] == "keyid-comparison/1"
    assert set(form["cuts"][0]) == {"position", "old", "new", "difference"}
    assert set(form["cuts"][0]["difference"]) == {"value", "u"}


def test_a_photo_that_can_t_be_read_is_refused(tmp_path: Path) -> None:
    photo = tmp_path / "key.jpg"
    photo.write_bytes(b"no photo")
    other = tmp_path / "other.jpg"
    other.write_bytes(b"no photo either")
    result = CliRunner().invoke(main, ["compare", str(photo), str(other), "--json"])
    assert result.exit_code == 1
    assert '"unreadable-file"' in result.stdout
