"""``keyid profiles`` through the command line, on the shipped library and on folders made here."""

from __future__ import annotations

import copy
import datetime
from itertools import combinations
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from keyid.commands.cli import main
from keyid.profiles.library import load_library
from keyid.profiles.profile_compare import compare
from keyid.reports.profiles_text import comparison_text, list_text, profile_text
from keyid.reports.text import WIDTH
from tests.unit.measured_blade import PIER, key_of, measured
from tests.unit.profile_tables import EXAMPLE, to_toml


def run(*words: str, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, ["profiles", *words], input=typed)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "quay.toml").write_text(to_toml(EXAMPLE), encoding="utf-8")
    return tmp_path


def listed(result: Result) -> list[str]:
    return [line.split()[0] for line in result.stdout.splitlines()[1:] if line[0] != " "]


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
    assert "Can't tell any two of them apart for sure." in result.stdout
    assert "No other blade in the library looks like it." in run("apart", "fish-locker").stdout


def test_many_look_alikes_are_counted_not_listed(tmp_path: Path) -> None:
    for number in range(20):  # the same outline, other grooves
        table = copy.deepcopy(EXAMPLE)
        table["id"] = f"quay-{number}"
        table["blade"]["grooves_right"] = [[0.0, 1.5 + number / 10]]
        table["blanks"] = [{"id": f"blank-{number}", "head": "metal", "electronics": "none"}]
        (tmp_path / f"{number}.toml").write_text(to_toml(table), encoding="utf-8")
    assert "and 7 more" in run("show", "quay-0", "--profiles", str(tmp_path)).stdout
    assert "19 blades look like it; the first 4 of them:" in run("apart", "quay-0", "--profiles", str(tmp_path)).stdout


def test_apart_with_several() -> None:
    result = run("apart", "harbour-office", "customs-house")
    assert "first cut      0.40 mm apart. A photo tells.\n" in result.stdout
    assert "\n               5.900  harbour-office\n" in result.stdout
    assert result.stdout.startswith("photo          A good photo of a key tells all of them apart.\n")


def test_blades_with_the_same_value_share_a_line() -> None:
    result = run("apart", "harbour-office", "harbour-archive", "customs-house")
    assert "\n               5.900  harbour-office, harbour-archive\n" in result.stdout
    assert "Can't tell apart for sure: harbour-office and harbour-archive.\n" in result.stdout


def test_a_profile_that_nobody_printed_says_so_in_the_list() -> None:
    assert run("list", "--cuts", "5", "dogwood").stdout.endswith("Dogwood (invented)\n")
    assert run("list", "--cuts", "5", "dexter").stdout.endswith("Dexter, 5 cuts\n")


def test_every_shipped_profile_fits_a_terminal() -> None:
    profiles = load_library(None).profiles
    said = [list_text(profiles), *(profile_text(profile, profiles) for profile in profiles)]
    said += [comparison_text(compare(pair)) for pair in combinations(profiles, 2)]
    assert max(len(line) for text in said for line in text.splitlines()) <= WIDTH


def test_blanks_of_one_blade_with_the_warnings_that_go_with_them() -> None:
    result = run("apart", "fam-01", "--profiles", "reference_profiles/samples")
    assert "They differ in head: metal, plastic; electronics:\n" in result.stdout
    assert "Head colours are no standard" in result.stdout
    assert "Electronics can't be seen" in result.stdout


def test_check_exits_by_what_it_found(folder: Path) -> None:
    assert run("check").exit_code == 0
    good = run("check", str(folder))
    assert (good.exit_code, good.stdout) == (0, "1 file: 0 can't be used, 0 with doubtful numbers.\n")
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


BY_HAND = (
    *("--name", "Quay gate", "--edges", "1", "--stop", "shoulder", "--width", "8,5", "--first", "5", "--cuts", "4"),
    *("--spacing", "3.8", "--codes", "1-3", "--highest", "8.1", "--step", "0.5", "--order", "bow-to-tip"),
)


def test_add_from_options_writes_a_valid_file(tmp_path: Path) -> None:
    file = tmp_path / "gate.toml"
    result = run("add", str(file), *BY_HAND)
    assert (result.exit_code, result.stderr) == (0, "")
    assert "8.100 ±0.06 mm = 318.9 thou" in result.stdout
    (profile,) = load_library(tmp_path).profiles
    assert (profile.id, profile.status, profile.width_mm) == ("quay-gate", "measured", 8.5)
    assert profile.date == datetime.date.today()
    assert (profile.codes, profile.positions_mm) == (("1", "2", "3"), (5.0, 8.8, 12.6, 16.4))


def test_add_asks_one_by_one_and_asks_again(tmp_path: Path) -> None:
    answers = "Quay\n1\nshoulder\nwide\n8.5\n5\n4\n3.8\n1 2 A\n8.1\n0.5\nbow-to-tip\n26\n\n2.0 3.2\n\n1.2\n\n\n"
    result = run("add", str(tmp_path / "quay.toml"), typed=answers)
    assert result.exit_code == 0
    assert "'wide' is not a number above 0." in result.stdout + result.stderr
    (profile,) = load_library(tmp_path).profiles
    assert (profile.codes, profile.length_mm, profile.thickness_mm) == (("1", "2", "A"), 26.0, None)
    assert (profile.grooves_left_mm, profile.grooves_right_mm) == (((2.0, 3.2),), ())
    assert (profile.flat_mm, profile.angle_deg, profile.macs) == (1.2, None, None)


def test_add_from_keys_by_caliper(tmp_path: Path) -> None:
    shown = ("--key", "7.1 6.62 7.6 8.09", "3421", "--key", "8.12 7.11 6.58 7.58", "1-3-4-2")
    result = run("add", str(tmp_path / "k.toml"), *BY_HAND[:14], "--order", "bow-to-tip", *shown)
    assert result.exit_code == 0, result.output
    (profile,) = load_library(tmp_path).profiles
    assert profile.roots_mm == pytest.approx((8.1, 7.6, 7.1, 6.6), abs=0.02)


def test_add_measures_photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The photos' measuring is tested elsewhere; here each stands for an exact key."""
    blades = {"a.jpg": measured(key_of(PIER, "1-4-2-5-3")), "b.jpg": measured(key_of(PIER, "3-3-2-6-2"), seed=1)}
    for name in blades:
        (tmp_path / name).touch()
    monkeypatch.setattr(
        "keyid.new_profiles.profile_sources.measure", lambda photo: (None, None, None, blades[photo.name], None)
    )
    keys = ("--key", str(tmp_path / "a.jpg"), "14253", "--key", str(tmp_path / "b.jpg"), "33262")
    result = run("add", str(tmp_path / "p.toml"), "--name", "Pier", "--order", "bow-to-tip", *keys)
    assert result.exit_code == 0, result.output
    (profile,) = load_library(tmp_path).profiles
    assert profile.positions_mm == pytest.approx(PIER.positions_mm, abs=0.1)
    refused = run("add", str(tmp_path / "q.toml"), "--blank", str(tmp_path / "a.jpg"), "--cuts-of", "fam-01")
    assert refused.exit_code == 1
    assert "not show an uncut blank" in refused.stderr


def test_a_fault_inside_the_program_is_no_traceback(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(photo: Path) -> None:
        raise ZeroDivisionError(photo.name)

    (tmp_path / "a.jpg").touch()
    monkeypatch.setattr("keyid.new_profiles.profile_sources.measure", fail)
    result = run("add", str(tmp_path / "q.toml"), "--blank", str(tmp_path / "a.jpg"), "--cuts-of", "fam-01")
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)
    assert "made the program fail" in result.stderr


@pytest.mark.parametrize(
    ("changes", "status", "message"),
    [
        (("--width", "wide"), 2, "not a number above 0"),
        (("--width", "nan"), 2, "not a number above 0"),
        (("--codes", "1;2"), 2, "not a row of depth codes"),
        (("--positions", "5 x"), 2, "not a row of lengths"),
        (("--key", "no-such.jpg", "12"), 2, "neither a photo nor a row of roots"),
        (("--key", "7.1", "1_"), 2, "not a bitting"),
        (("--width", "7.9"), 1, "above the blade's width"),
        (("--id", "Quay"), 1, "small letters"),
        (("--id", "ferry-saloon"), 1, "stands in profile ferry-saloon"),
        (("--cuts-of", "no-such"), 1, "There is no profile 'no-such'"),
        (("--name", "<b>\x1b[0m"), 1, "name is"),
    ],
)
def test_add_refuses_and_writes_nothing(tmp_path: Path, changes: tuple[str, ...], status: int, message: str) -> None:
    result = run("add", str(tmp_path / "new.toml"), *BY_HAND, *changes)
    assert (result.exit_code, "Traceback" in result.output) == (status, False)
    assert message in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_add_never_overwrites(folder: Path) -> None:
    assert run("add", str(folder / "quay.toml"), *BY_HAND).exit_code == 2
    assert run("add", str(folder / "quay.txt"), *BY_HAND).exit_code == 2
    assert (folder / "quay.toml").read_text(encoding="utf-8") == to_toml(EXAMPLE)
