"""A folder of profile files, and the library shipped with the package."""

from __future__ import annotations

import copy
import os
import re
from pathlib import Path

import pytest

from keyid.errors import ProfileError
from keyid.profiles.library import load_library, shipped_folder
from keyid.profiles.profile import same_outline
from keyid.profiles.profile_file import parse_profile
from keyid.profiles.profile_rules import doubts
from tests.unit.profile_tables import EXAMPLE, to_toml


def write(folder: Path, name: str, profile_id: str, *blank_ids: str) -> Path:
    """Write a profile file that holds the example's blade under other ids."""
    table = copy.deepcopy(EXAMPLE) | {"id": profile_id}
    ids = blank_ids or (f"{profile_id}-plain",)
    table["blanks"] = [{"id": blank, "head": "metal", "electronics": "none"} for blank in ids]
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(to_toml(table))
    return path


def test_profiles_of_all_subfolders_come_sorted_by_id(tmp_path: Path) -> None:
    write(tmp_path, "z.toml", "alpha")
    write(tmp_path, "a/b/y.toml", "gamma")
    write(tmp_path, "a/x.toml", "beta")
    library = load_library(tmp_path)
    assert [profile.id for profile in library.profiles] == ["alpha", "beta", "gamma"]
    assert library.skipped == ()


def test_other_files_and_hidden_ones_are_passed_over(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", "alpha")
    (tmp_path / "README.md").write_text("not a profile")
    (tmp_path / "._a.toml").write_bytes(b"\x00\x05\x16\x07")  # what some systems leave beside files on a USB stick
    write(tmp_path, ".trash/b.toml", "alpha")
    assert len(load_library(tmp_path).profiles) == 1


def test_a_bad_file_is_named_by_its_path_in_the_folder(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", "alpha")
    write(tmp_path, "sub/b.toml", "Beta")
    with pytest.raises(ProfileError, match=r'^sub/b\.toml: id is "Beta"'):
        load_library(tmp_path)


def test_bad_files_can_be_skipped_and_are_told(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", "alpha")
    write(tmp_path, "b.toml", "Beta")
    (tmp_path / "c.toml").write_bytes(b"\xff")
    library = load_library(tmp_path, skip_bad=True)
    assert [profile.id for profile in library.profiles] == ["alpha"]
    assert [error.message.split(":")[0] for error in library.skipped] == ["b.toml", "c.toml"]


def test_a_profile_id_is_unique_in_the_library(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", "alpha", "one")
    write(tmp_path, "b.toml", "alpha", "two")
    with pytest.raises(ProfileError, match=r"^b\.toml: The id alpha stands in a\.toml too.*unique"):
        load_library(tmp_path)
    library = load_library(tmp_path, skip_bad=True)
    assert [blank.id for blank in library.profiles[0].blanks] == ["one"]
    assert len(library.skipped) == 1


def test_a_blank_id_is_unique_in_the_library(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", "alpha", "one", "two")
    write(tmp_path, "b.toml", "beta", "three", "two")
    with pytest.raises(ProfileError, match=r"^b\.toml: The blank id two stands in a\.toml too"):
        load_library(tmp_path)


def test_a_skipped_file_claims_no_ids(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", "alpha", "one")
    write(tmp_path, "b.toml", "alpha", "two")
    write(tmp_path, "c.toml", "gamma", "two")
    library = load_library(tmp_path, skip_bad=True)
    assert [profile.id for profile in library.profiles] == ["alpha", "gamma"]


def test_a_profile_and_a_blank_may_have_the_same_id(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", "alpha", "alpha")
    assert load_library(tmp_path).profiles[0].blanks[0].id == "alpha"


def test_a_folder_without_profiles(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"no profile file .*Name a folder of profile files"):
        load_library(tmp_path)


def test_a_folder_where_every_file_is_bad(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", "Alpha")
    with pytest.raises(ProfileError, match=r'No profile file .* can be used; the first fault: a\.toml: id is "Alpha"'):
        load_library(tmp_path, skip_bad=True)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"nowhere can't be read"):
        load_library(tmp_path / "nowhere")


def test_a_file_in_place_of_a_folder(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"a\.toml can't be read"):
        load_library(write(tmp_path, "a.toml", "alpha"))


def test_a_link_to_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.toml").symlink_to(tmp_path / "gone")
    with pytest.raises(ProfileError, match=r"^a\.toml: This is not a file"):
        load_library(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with names are made on POSIX systems only")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.toml")
    with pytest.raises(ProfileError, match=r"^a\.toml: This is not a file"):
        load_library(tmp_path)


def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = write(tmp_path, "a.toml", "alpha")
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read every file")
    with pytest.raises(ProfileError, match=r"^a\.toml: The file can't be read"):
        load_library(tmp_path)


def test_a_huge_file_is_not_read_whole(tmp_path: Path) -> None:
    with (tmp_path / "a.toml").open("wb") as huge:
        huge.truncate(10**12)  # bytes, none of them on the disk
    with pytest.raises(ProfileError, match=r"^a\.toml: The file is larger than 256 KB"):
        load_library(tmp_path)


def test_a_file_name_cannot_garble_the_terminal(tmp_path: Path) -> None:
    write(tmp_path, "red\x1b[31m.toml", "Alpha")
    with pytest.raises(ProfileError, match=r"^red\\x1b\[31m\.toml: "):
        load_library(tmp_path)


def test_the_shipped_library_is_whole() -> None:
    library = load_library()
    files = sorted(shipped_folder().rglob("*.toml"))
    assert len(library.profiles) == len(files) > 0


def test_each_shipped_file_is_named_after_its_profile() -> None:
    library = load_library()
    assert sorted(path.stem for path in shipped_folder().rglob("*.toml")) == [p.id for p in library.profiles]


def test_nothing_in_the_shipped_library_is_doubtful() -> None:
    assert {profile.id: doubts(profile) for profile in load_library().profiles if doubts(profile)} == {}


def test_the_file_shown_in_the_readme_is_valid_and_shows_every_key() -> None:
    text = (shipped_folder() / "README.md").read_text(encoding="utf-8")
    block = re.search(r"```toml\n(.*?)```", text, re.DOTALL)
    assert block is not None
    profile = parse_profile(block[1].encode(), "README.md")
    assert doubts(profile) == ()
    may_be_none = {name for name, value in vars(profile).items() if value in (None, ())}
    assert may_be_none == set()


@pytest.mark.parametrize(
    ("first", "second", "differ"),
    [  # what the first lines of the demonstration's files say
        ("harbour-office", "customs-house", {"positions_mm"}),
        ("harbour-office", "pilot-station", {"roots_mm", "macs"}),
        ("harbour-office", "harbour-archive", {"grooves_left_mm", "grooves_right_mm"}),
        ("harbour-office", "harbour-gate", {"positions_mm", "length_mm"}),
        ("boathouse", "boatyard", {"width_mm"}),
        ("fish-locker", "ice-store", {"positions_mm"}),
        ("ferry-saloon", "ferry-bridge", {"positions_mm"}),
        ("tug-engine", "tug-launch", {"positions_mm", "length_mm"}),
        ("fish-van", "ice-van", {"positions_mm"}),
        ("net-store", "rope-store", {"positions_mm"}),
    ],
)
def test_look_alikes_of_the_demonstration_differ_in_one_thing(first: str, second: str, differ: set[str]) -> None:
    by_id = {profile.id: profile for profile in load_library(shipped_folder() / "demo").profiles}
    p, q = by_id[first], by_id[second]
    assert {name for name in vars(p) if vars(p)[name] != vars(q)[name]} - {"id", "name", "blanks"} == differ
    assert same_outline(p, q) == (not differ - {"grooves_left_mm", "grooves_right_mm"})


def test_the_demonstration_has_every_kind_of_blade_and_a_test_blank_for_all_electronics() -> None:
    profiles = load_library(shipped_folder() / "demo").profiles
    assert {(p.edges, p.stop) for p in profiles} == {(1, "shoulder"), (2, "shoulder"), (1, "tip"), (2, "tip")}
    assert {p.status for p in profiles} == {"invented"}
    blanks = [blank for p in profiles for blank in p.blanks]
    assert {blank.electronics for blank in blanks} == {"none", "fixed-code", "encrypted", "rolling-code"}
    assert [blank.id for blank in blanks if blank.electronics != "none" and blank.test_blank is None] == []
