"""The command line: what goes where, exit statuses, and that a fault never becomes a traceback."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from PIL import Image

import keyid
from keyid import identify
from keyid.commands.cli import main
from keyid.errors import PhotoError, ProfileError
from keyid.scales.pointed import NOTHING_POINTED, Pointed
from tests.unit.example_examination import examination

HELP_SECONDS = 1.0  # the goal is 0.25 s on a free machine; tests share theirs


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "key.jpg"
    Image.new("RGB", (160, 120), "grey").save(path)
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def answer(monkeypatch: pytest.MonkeyPatch, outcome: object) -> dict[str, object]:
    """Let the measuring give this outcome (an exception is raised), and return what it was asked."""
    asked: dict[str, object] = {}

    def examine(photo: Path, **options: object) -> object:
        asked.update(options, photo=photo)
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    monkeypatch.setattr(identify, "examine", examine)
    return asked


def test_the_answer_in_words(monkeypatch: pytest.MonkeyPatch, photo: Path) -> None:
    asked = answer(monkeypatch, examination())
    done = run("read", photo)
    assert done.exit_code == 0
    assert done.stdout.startswith("Verdict   Blade Pier")
    assert done.stderr == ""
    assert (asked["photo"], asked["profiles"], asked["skip_bad"]) == (photo, None, False)


def test_json_is_one_object_on_standard_output(monkeypatch: pytest.MonkeyPatch, photo: Path, tmp_path: Path) -> None:
    asked = answer(monkeypatch, examination())
    done = run("read", photo, "--json", "--profiles", tmp_path, "--skip-bad")
    assert json.loads(done.stdout) == examination().reading.to_json()
    assert (done.exit_code, done.stderr) == (0, "")
    assert (asked["profiles"], asked["skip_bad"]) == (tmp_path, True)


def test_the_picture_is_written(monkeypatch: pytest.MonkeyPatch, photo: Path, tmp_path: Path) -> None:
    answer(monkeypatch, examination())
    done = run("read", photo, "--picture", tmp_path / "out.png")
    assert done.exit_code == 0
    with Image.open(tmp_path / "out.png") as drawn:
        assert drawn.width == 1600


@pytest.mark.parametrize(
    "error",
    [PhotoError("no-key", "No key was found.", "Lay one down."), ProfileError("a.toml: no id.", "Give it one.")],
)
def test_a_known_error_is_a_sentence_and_status_1(
    monkeypatch: pytest.MonkeyPatch, photo: Path, error: PhotoError | ProfileError
) -> None:
    answer(monkeypatch, error)
    plain, as_json = run("read", photo), run("read", photo, "--json")
    sentence = f"{error.message.rstrip('.')}: {error.advice[0].lower()}{error.advice[1:]}\n"
    assert (plain.exit_code, plain.stdout, plain.stderr) == (1, "", sentence)
    assert (as_json.exit_code, as_json.stderr) == (1, sentence)
    assert json.loads(as_json.stdout)["error"]["code"] == error.code


def test_a_fault_inside_is_told_without_a_traceback(monkeypatch: pytest.MonkeyPatch, photo: Path) -> None:
    answer(monkeypatch, ZeroDivisionError("division by zero"))
    done = run("read", photo, "--json")
    assert done.exit_code == 1
    assert json.loads(done.stdout)["error"]["code"] == "key-unclear"
    assert "made the program fail (ZeroDivisionError: division by zero)" in done.stderr
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["read"], "Missing argument 'PHOTOS...'"),
        (["read", "not-there.jpg"], "'not-there.jpg' does not exist: check its name"),
        (["read", "tests"], "'tests' is a folder: read its photos with --out FILE, or name one photo in it."),
        (["look", "tests"], "'tests' is a folder: name a file in it."),
        (["read", "PHOTO", "--profiles", "not-there"], "'not-there' does not exist: check its name"),
        (["read", "PHOTO", "--profiles", "README.md"], "'README.md' is a file: name the folder that it is in."),
        (["read", "PHOTO", "--picture", "out.jpg"], "let its name end in .png"),
        (["read", "PHOTO", "--picture", "not-there/out.png"], "there is no folder 'not-there'"),
        (["read", "PHOTO", "--unknown"], "No such option"),
    ],
)
def test_a_wrong_command_is_status_2(photo: Path, arguments: list[str], words: str) -> None:
    done = run(*[photo if argument == "PHOTO" else argument for argument in arguments])
    assert (done.exit_code, done.stdout) == (2, "")
    assert words in done.stderr


def test_the_photo_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "key.png"
    Image.new("RGB", (160, 120)).save(path)
    before = path.read_bytes()
    done = run("read", path, "--picture", path)
    assert (done.exit_code, path.read_bytes()) == (2, before)
    assert "would overwrite the photo" in done.stderr


def test_a_picture_that_cannot_be_written_is_told(monkeypatch: pytest.MonkeyPatch, photo: Path, tmp_path: Path) -> None:
    def no_room(*_: object) -> None:
        raise OSError(28, "No space left on device")

    answer(monkeypatch, examination())
    monkeypatch.setattr("keyid.private_file.write_private", no_room)
    done = run("read", photo, "--json", "--picture", tmp_path / "out.png")
    assert done.exit_code == 1
    assert "could not be written: No space left on device" in done.stderr
    assert json.loads(done.stdout)["format"] == "keyid-reading/1"


def test_help_is_quick_and_loads_no_heavy_part() -> None:
    script = "import sys; from keyid.commands.cli import main; main(['--help'], standalone_mode=False); " + (
        "print([m for m in ('numpy', 'cv2', 'scipy', 'PIL', 'pydantic') if m in sys.modules], file=sys.stderr)"
    )
    start = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert time.perf_counter() - start < HELP_SECONDS
    assert done.stderr.strip() == "[]"
    assert "read" in done.stdout


def commands() -> dict[str, click.Command]:
    """Every command with its full name."""
    group = main.commands["profiles"]
    assert isinstance(group, click.Group)
    inner = {f"profiles {name}": command for name, command in group.commands.items()}
    return {**{name: command for name, command in main.commands.items() if command is not group}, **inner}


def test_every_command_has_help_with_an_example_and_every_option_is_told() -> None:
    for name, command in commands().items():
        assert f"\n      keyid {name}" in str(command.help), name
        assert all(option.help for option in command.params if isinstance(option, click.Option)), name


@pytest.mark.parametrize("group", [[], ["profiles"]])
def test_no_command_is_told_in_half_a_sentence(group: list[str]) -> None:
    told = run(*group, "--help").stdout.partition("Commands:\n")[2].splitlines()
    assert told
    assert all(line.endswith(".") and not line.endswith("...") for line in told)


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        ("{", "is not a JSON file: give the file that keyid read PHOTO --json printed."),
        ("[]", "is not a reading of a key: give the file that"),
        ('{"format": "other/1"}', "is not a reading of a key: give the file that"),
        (
            '{"format": "keyid-reading/2"}',
            "is in the form keyid-reading/2, which this version of keyid can't read: read",
        ),
        ('{"format": "keyid-reading/1", "error": {}}', "could not be measured: take another photo and read that."),
        ('{"format": "keyid-reading/1"}', "is incomplete or damaged: read the photo again"),
        ('{"format": "keyid-reading/1", "candidates": [{"profile": "fam-01"}]}', "is incomplete or damaged: read"),
    ],
)
def test_what_is_no_reading_is_told_with_what_to_do(tmp_path: Path, reading: str, words: str) -> None:
    path = tmp_path / "reading.json"
    path.write_text(reading, encoding="utf-8")
    done = run("confirm", path, "--root", "1=5.0")
    assert (done.exit_code, done.stdout) == (2, "")
    assert words in done.stderr
    assert "Traceback" not in done.output


def test_the_public_names() -> None:
    assert keyid.read is identify.read
    assert keyid.PhotoError is PhotoError
    with pytest.raises(AttributeError, match="no attribute 'write'"):
        _ = keyid.write


def test_a_coin_is_told_by_diameter_or_name(monkeypatch: pytest.MonkeyPatch, photo: Path) -> None:
    asked = answer(monkeypatch, examination())
    for told in ("24.26", "US quarter"):
        assert run("read", photo, "--coin", told).exit_code == 0
        assert asked["told"].coin.diameter_mm == pytest.approx(24.26)  # type: ignore[attr-defined]


def test_a_coin_that_can_not_be_is_a_usage_error(photo: Path) -> None:
    done = run("read", photo, "--coin", "2.4")
    assert done.exit_code == 2
    assert "No coin is 2.4 mm wide" in done.stderr


def test_a_coin_to_be_used_must_be_told(photo: Path) -> None:
    done = run("read", photo, "--reference", "coin")
    assert done.exit_code == 2
    assert "--coin" in done.stderr


def test_the_message_for_the_customer_is_short_and_has_the_essentials() -> None:
    """Common practice, no source."""
    done = run("request")
    assert done.exit_code == 0
    for essential in ("flat", "bank card", "straight above", "no flash", "turn the key over", "delete"):
        assert essential in done.stdout
    assert len(done.stdout) < 900


def test_several_photos_are_read_as_one_key_only_when_told(
    monkeypatch: pytest.MonkeyPatch, photo: Path, tmp_path: Path
) -> None:
    again = tmp_path / "again.jpg"
    again.write_bytes(photo.read_bytes() + b"another")
    asked: list[object] = []

    pointed: list[object] = []

    def together(photos: object, **options: object) -> object:
        asked.append(photos)
        pointed.append(options["pointed"])
        return examination()

    monkeypatch.setattr(identify, "examine_together", together)
    assert run("read", photo, again, "--same-key").exit_code == 0
    assert asked == [(photo, again)]
    assert pointed[-1] == (NOTHING_POINTED, NOTHING_POINTED)
    points = ("--stop", "2:12,34", "--key", "2:5,6", "--tip", "1:7,8", "--within", "4")
    assert run("read", photo, again, "--same-key", *points).exit_code == 0
    assert pointed[-1] == (
        Pointed(tip_px=(7, 8), u_px=4),
        Pointed(stop_px=(12, 34), key_px=(5, 6), u_px=4),
    )
    for options, said in (
        (("--stop", "12,34"), "in which photo"),
        (("--stop", "3:12,34"), "no photo 3"),
        (("--stop", "0:12,34"), "not a point"),
        (("--stop", "2:1,2", "--stop", "2:3,4"), "twice"),
        (("--corners", "1:1,2", "2:3,4", "5,6", "7,8"), "in one photo"),
    ):
        refused = run("read", photo, again, "--same-key", *options)
        assert refused.exit_code == 2
        assert said in refused.stderr
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(photo.read_bytes())
    refused = run("compare", photo, copy)
    assert (refused.exit_code, "copy.jpg' is the same photo as '" in refused.stderr) == (2, True)
    alone = run("read", photo, "--stop", "2:12,34")
    assert (alone.exit_code, "no photo 2" in alone.stderr) == (2, True)
    for wrong in ((photo, again), (photo, "--same-key"), (photo, photo, "--same-key")):
        refused = run("read", *wrong)
        assert refused.exit_code == 2
        assert "--same-key" in refused.stderr
