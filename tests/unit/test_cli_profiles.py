"""``keyid profiles`` through the command line, on the shipped library and on folders made here."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from keyid.cli import main
from tests.unit.profile_tables import EXAMPLE, to_toml


def run(*words: str, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, ["profiles", *words], input=typed)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "quay.toml").write_text(to_toml(EXAMPLE), encoding="utf-8")
    return tmp_path


def listed(result: Result) -> list[str]:
    return [line.split()[0] for line in result.stdout.splitlines()[1:]]


def test_list_finds_by_words_and_by_caliper() -> None:
    assert set(listed(run("list", "ferry"))) == {"ferry-bridge", "ferry-saloon"}
    assert listed(run("list", "FERRY", "floats")) == ["ferry-saloon"]
    assert listed(run("list", "varnholm", "--length", "28.0", "--cuts", "8")) == ["ferry-bridge", "ferry-saloon"]
    assert "ferry-saloon" not in listed(run("list", "--length", "28.0", "--within", "0.05", "varnholm"))


def test_a_width_that_no_source_prints_is_found_from_farther() -> None:
    assert "arrow-5" in listed(run("list", "--width", "7.9"))  # .327 in = 8.31 mm, give or take twice .015 in
    assert "arrow-5" not in listed(run("list", "--width", "7.3"))


def test_nothing_found_is_said() -> None:
    result = run("list", "no-such-word")
    assert result.exit_code == 1
    assert result.stderr == "No profile fits: use fewer words, or a larger --within.\n"


def test_show_tells_all_and_draws(tmp_path: Path) -> None:
    for name in ("blade.svg", "blade.png"):
        result = run("show", "ferry-saloon", "--drawing", str(tmp_path / name))
        assert result.exit_code == 0
    for said in ("Ferry saloon cabin", "23.000 mm = 905.5 thou", "7.350 mm = 289.4 thou", "ferry-saloon-float"):
        assert said in result.stdout
    with Image.open(tmp_path / "blade.png") as drawn:
        assert drawn.width == 2100  # 210 mm at 10 px a mm
    assert (tmp_path / "blade.svg").read_text(encoding="utf-8").startswith("<svg")


def test_show_names_what_may_be_meant() -> None:
    result = run("show", "fery-saloon")
    assert result.exit_code == 1
    assert "erhaps ferry-saloon" in result.stderr
    assert run("show", "ferry-saloon", "--drawing", "x.gif").exit_code == 2


def test_apart_with_one_id_shows_its_blanks_and_look_alikes() -> None:
    result = run("apart", "harbour-archive", "--profiles", "reference_profiles/demo")
    assert "The one blank known with this blade." in result.stdout
    assert "Can't tell apart for sure: harbour-archive and harbour-office; " in result.stdout
    assert "No other blade in the library looks like it." in run("apart", "fish-locker").stdout


def test_apart_with_several() -> None:
    result = run("apart", "harbour-office", "customs-house")
    assert "first cut" in result.stdout
    assert "0.40 mm" in result.stdout
    assert "A good photo of a key tells all of them apart." in result.stdout


def test_blanks_of_one_blade_with_the_warnings_that_go_with_them() -> None:
    result = run("apart", "fam-01", "--profiles", "reference_profiles/samples")
    assert "They differ in head: metal, plastic; electronics: " in result.stdout
    assert "Head colours are no standard" in result.stdout
    assert "Electronics can't be seen" in result.stdout


def test_check_exits_by_what_it_found(folder: Path) -> None:
    assert run("check").exit_code == 0
    good = run("check", str(folder))
    assert (good.exit_code, good.stdout) == (0, "1 files: 0 can't be used, 0 with doubtful numbers.\n")
    (folder / "bad.toml").write_text("format = 2\n", encoding="utf-8")
    bad = run("check", str(folder))
    assert bad.exit_code == 1
    assert "fault  bad.toml: format is 2." in bad.stdout
    assert bad.stdout.endswith("2 files: 1 can't be used, 0 with doubtful numbers.\n")


def test_broken_files_are_left_out_only_when_asked(folder: Path) -> None:
    (folder / "bad.toml").write_text("format = 2\n", encoding="utf-8")
    assert run("list", "--profiles", str(folder)).exit_code == 1
    result = run("list", "--profiles", str(folder), "--skip-bad")
    assert listed(result) == ["quay-4"]
    assert result.stderr.startswith("Left out: bad.toml: ")


def test_an_empty_folder_is_told(tmp_path: Path) -> None:
    assert run("check", str(tmp_path)).exit_code == 1
