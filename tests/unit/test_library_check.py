"""The check of a folder: every fault and every doubt, each told once (expected values follow from the format)."""

from __future__ import annotations

import copy
from pathlib import Path

import pytest

from keyid.errors import ProfileError
from keyid.profiles.library import load_library, shipped_folder
from keyid.profiles.library_check import check_library
from tests.unit.profile_tables import EXAMPLE, Table, to_toml


def table(number: int, **changes: object) -> Table:
    """The example under other ids, with changed values of its [blade] or [cuts]."""
    made = copy.deepcopy(EXAMPLE)
    made["id"] = f"quay-{number}"
    for blank in made["blanks"]:
        blank["id"] = blank["id"].replace("quay-4", f"quay-{number}")
    made["blanks"][1]["test_blank"] = f"quay-{number}-plain"
    for key, value in changes.items():
        made["blade" if key in made["blade"] else "cuts"][key] = value
    return made


def write(folder: Path, **tables: Table) -> None:
    for name, made in tables.items():
        (folder / f"{name}.toml").write_text(to_toml(made), encoding="utf-8")


def test_every_fault_of_every_file_is_told(tmp_path: Path) -> None:
    bad = table(1, positions=[5.0, 4.0, 12.6, 30.0], width=7.5)  # order, tip, roots, groove
    misspelt = table(2)
    misspelt["blade"]["widht"] = misspelt["blade"].pop("width")
    write(tmp_path, a=bad, b=misspelt, c=table(3), d=table(3))
    a, b, c, d = check_library(tmp_path)
    told = [fault.message for fault in a.faults]
    assert [text.split(" is ")[0] for text in told] == [
        "a.toml: blade.grooves_left #2",
        "a.toml: cuts.positions #2",
        "a.toml: cuts.positions #4",
        "a.toml: cuts.roots.1",
    ]
    assert [fault.message for fault in b.faults] == [
        "b.toml: blade.widht is not a key of this format.",
        "b.toml: blade.width is missing.",
    ]
    assert "Perhaps width is meant" in b.faults[0].advice
    assert (c.id, c.faults) == ("quay-3", ())
    assert [fault.message.split(" stands")[0] for fault in d.faults] == [
        "d.toml: The id quay-3",
        "d.toml: The blank id quay-3-plain",
        "d.toml: The blank id quay-3-chip",
    ]


def test_doubtful_numbers_are_told_with_their_file(tmp_path: Path) -> None:
    write(tmp_path, a=table(1, flat=5.0), b=table(2), c=table(3))
    a, b, c = check_library(tmp_path)
    assert [doubt.split(",")[0] for doubt in a.doubts] == ["cuts.flat", "cuts.macs"]
    assert b.doubts == ()
    assert c.doubts == ("blade and cuts are the same as those of quay-2: one file can list the blanks of both",)


def test_a_bad_file_is_refused_with_the_number_of_its_faults(tmp_path: Path) -> None:
    write(tmp_path, a=table(1, positions=[5.0, 4.0, 12.6, 30.0]), b=table(2))
    with pytest.raises(ProfileError, match=r"a.toml: cuts.positions #2 .*\(the first of 2 faults\)\."):
        load_library(tmp_path)
    assert [profile.id for profile in load_library(tmp_path, skip_bad=True).profiles] == ["quay-2"]


def test_the_shipped_library_is_clean() -> None:
    checked = check_library(shipped_folder())
    assert len(checked) == len(load_library().profiles)
    assert [file for file in checked if file.faults or file.doubts] == []
