"""Profile files: what is read from them, and what is said about bad ones.

The format is this project's own (reference_profiles/README.md); expected values follow from it by hand.
"""

from __future__ import annotations

import copy
import math
import re
import subprocess
import sys
import time
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from keyid.errors import ProfileError
from keyid.length import MM_PER_INCH
from keyid.profiles.profile import Profile, same_outline
from keyid.profiles.profile_file import MOST_BYTES, parse_profile
from keyid.profiles.profile_rules import broken_rules, doubts
from tests.unit.profile_tables import EXAMPLE, Table, profile_tables, to_toml

MISSING = object()
Path = tuple[Any, ...]


def parse(table: Table) -> Profile:
    return parse_profile(to_toml(table).encode(), "quay.toml")


def changed(path: Path, value: object, table: Table = EXAMPLE) -> Table:
    """A copy of a table with one value replaced, added or taken out."""
    result = copy.deepcopy(table)
    place: Any = result
    for part in path[:-1]:
        place = place[part]
    if value is MISSING:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return result


def paths(table: Any, before: Path = ()) -> list[Path]:  # noqa: ANN401  (a TOML value)
    """The paths to every value of a table, inner ones included."""
    inner = table.items() if isinstance(table, dict) else enumerate(table) if isinstance(table, list) else ()
    found = [before] if before else []
    for key, value in inner:
        found += paths(value, (*before, key))
    return found


def test_every_value_of_the_example() -> None:
    profile = parse(EXAMPLE)
    assert (profile.id, profile.name, profile.unit) == ("quay-4", "Quay four-cut", "mm")
    assert (profile.status, profile.source) == ("invented", "invented for this test")
    assert (profile.edges, profile.stop, profile.order) == (1, "shoulder", "bow-to-tip")
    assert (profile.length_mm, profile.width_mm, profile.thickness_mm) == (24.0, 8.5, 2.0)
    assert profile.grooves_left_mm == ((2.0, 3.2), (5.0, 8.5))
    assert profile.grooves_right_mm == ((0.0, 1.5),)
    assert profile.positions_mm == (5.0, 8.8, 12.6, 16.4)
    assert (profile.flat_mm, profile.angle_deg, profile.macs, profile.as_made_sd_mm) == (1.2, 90.0, 2, 0.02)
    assert (profile.width_sd_mm, profile.counts) == (0.1, (3, 4))
    assert profile.hold == "cut edge up"
    assert profile.adding_keys == ((0, "a dealer"), (2, "two working keys"))


def test_codes_come_from_the_highest_root_down() -> None:
    profile = parse(EXAMPLE)
    assert profile.codes == ("1", "2", "B")
    assert profile.roots_mm == (8.1, 7.6, 7.1)


def test_blanks() -> None:
    plain, chip = parse(EXAMPLE).blanks
    assert (plain.id, plain.head, plain.electronics) == ("quay-4-plain", "metal", "none")
    assert (plain.head_colour, plain.test_blank, plain.note) == (None, None, "")
    assert (chip.head_colour, chip.test_blank, chip.note) == ("black", "quay-4-plain", "for vans")


def test_what_may_be_left_out() -> None:
    table = copy.deepcopy(EXAMPLE)
    del table["handling"]
    for key in ("length", "thickness", "grooves_left", "grooves_right"):
        del table["blade"][key]
    for key in ("flat", "angle", "macs", "as_made_sd", "counts"):
        del table["cuts"][key]
    profile = parse(table)
    assert (profile.length_mm, profile.thickness_mm, profile.flat_mm, profile.angle_deg) == (None,) * 4
    assert (profile.macs, profile.as_made_sd_mm, profile.hold) == (None,) * 3
    assert (profile.grooves_left_mm, profile.counts, profile.adding_keys) == ((), (), ())


def test_inches_become_mm() -> None:
    # One inch is 25.4 mm exactly (international yard and pound agreement, 1959).
    table = changed(("unit",), "in")
    table["blade"] = {"edges": 2, "stop": "tip", "length": 1.25, "width": 0.335, "grooves_left": [[0.1, 0.2]]}
    table["blade"]["tip"] = [[0.0, 0.335]]
    table["cuts"] = {"positions": [0.231, 0.387], "roots": {"0": 0.335, "9": 0.2}, "order": "tip-to-bow"}
    profile = parse(table)
    assert profile.length_mm == pytest.approx(31.75, abs=1e-9)
    assert profile.width_mm == pytest.approx(8.509, abs=1e-9)
    assert profile.positions_mm == pytest.approx((5.8674, 9.8298), abs=1e-9)
    assert profile.roots_mm == pytest.approx((8.509, 5.08), abs=1e-9)
    assert profile.grooves_left_mm[0] == pytest.approx((2.54, 5.08), abs=1e-9)
    assert profile.tip_mm[0] == pytest.approx((0.0, 8.509), abs=1e-9)


def test_whole_numbers_are_lengths_too() -> None:
    assert parse(changed(("blade", "width"), 9)).width_mm == 9.0


def test_a_byte_order_mark_is_no_fault() -> None:
    assert parse_profile(b"\xef\xbb\xbf" + to_toml(EXAMPLE).encode(), "x").id == "quay-4"


@given(profile_tables())
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_every_valid_file_is_read_as_written(table: Table) -> None:
    profile = parse(table)
    blade, cuts = table["blade"], table["cuts"]
    assert dict(zip(profile.codes, profile.roots_mm, strict=True)) == cuts["roots"]
    assert list(profile.roots_mm) == sorted(cuts["roots"].values(), reverse=True)
    assert list(profile.positions_mm) == cuts["positions"]
    assert [list(groove) for groove in profile.grooves_left_mm] == blade.get("grooves_left", [])
    assert [list(groove) for groove in profile.grooves_right_mm] == blade.get("grooves_right", [])
    named = ("length_mm", "width_mm", "width_sd_mm", "thickness_mm", "edges", "stop")
    assert [getattr(profile, name) for name in named] == [blade.get(name.removesuffix("_mm")) for name in named]
    named = ("flat_mm", "angle_deg", "macs", "as_made_sd_mm", "order")
    plain = [name.removesuffix("_mm").removesuffix("_deg") for name in named]
    assert [getattr(profile, name) for name in named] == [cuts.get(name) for name in plain]
    assert [blank.id for blank in profile.blanks] == [blank["id"] for blank in table["blanks"]]
    assert [blank.note for blank in profile.blanks] == [blank.get("note", "") for blank in table["blanks"]]
    assert (profile.id, profile.name, profile.source) == (table["id"], table["name"], table["source"])
    assert not list(broken_rules(profile))


@given(profile_tables())
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_the_same_blade_in_inches_is_the_same(table: Table) -> None:
    inches = copy.deepcopy(table) | {"unit": "in"}
    for key in ("length", "width", "width_sd", "thickness", "flat", "as_made_sd"):
        for part in (inches["blade"], inches["cuts"]):
            if key in part:
                part[key] /= MM_PER_INCH
    inches["cuts"]["positions"] = [value / MM_PER_INCH for value in inches["cuts"]["positions"]]
    inches["cuts"]["roots"] = {code: value / MM_PER_INCH for code, value in inches["cuts"]["roots"].items()}
    for key in ("grooves_left", "grooves_right"):
        inches["blade"][key] = [[a / MM_PER_INCH, b / MM_PER_INCH] for a, b in table["blade"].get(key, [])]
    assert same_outline(parse(inches), parse(table))


WRONG: list[tuple[Path, object, str, str]] = [
    (("format",), 2, r"format is 2", "format is 1"),
    (("format",), "1", r'format is "1"', "without quotes"),
    (("format",), True, r"format is true", "format is 1"),
    (("format",), 1.0, r"format is 1\.0", "format is 1"),
    (("id",), "Quay 4", r'id is "Quay 4"', "small letters, digits and hyphens"),
    (("id",), "", r'id is ""', "small letters"),
    (("id",), "quay\n", r'id is "quay\\n"', "small letters"),
    (("name",), "", r'name is ""', "what a person calls"),
    (("name",), "red \x1b[31m", r'name is "red \\u001b\[31m"', "one line"),
    (("unit",), MISSING, r"unit is missing", '"mm" or "in"'),
    (("unit",), "cm", r'unit is "cm"', '"mm" or "in"'),
    (("unit",), "in", r"blade.width is 215\.9 mm, which no key has", "check the number and the unit"),
    (("status",), "guessed", r'status is "guessed"', '"from-memory"'),
    (("source",), MISSING, r"source is missing", "where the numbers come from"),
    (("sauce",), "x", r"sauce is not a key of this format", "Perhaps source is meant"),
    (("blade",), 3, r"blade is 3", "a table"),
    (("blade", "edges"), 3, r"blade\.edges is 3", "1 .* or 2"),
    (("blade", "edges"), True, r"blade\.edges is true", "1 .* or 2"),
    (("blade", "stop"), "bow", r'blade\.stop is "bow"', '"shoulder" or "tip"'),
    (("blade", "width"), MISSING, r"blade\.width is missing", "across the uncut blade"),
    (("blade", "width"), "8.5", r'blade\.width is "8\.5"', "a number above 0"),
    (("blade", "width"), True, r"blade\.width is true", "a number above 0"),
    (("blade", "width"), -8.5, r"blade\.width is -8\.5", "a number above 0"),
    (("blade", "width"), math.nan, r"blade\.width is nan", "a number above 0"),
    (("blade", "width"), math.inf, r"blade\.width is inf", "a number above 0"),
    (("blade", "width"), 0.335, r"blade\.width is 0\.335 mm, which no key has", "check the number and the unit"),
    (("blade", "width"), 8.0, r"blade\.grooves_left #2 is \[5, 8\.5\], outside the blade", "width, 8, or before"),
    (("blade", "length"), 16.0, r"positions #4 is 16\.4, beyond the blade's length, 16\b", "at most blade.length"),
    (("blade", "width_sd"), 2.0, r"blade\.width_sd is 2 mm, which no key has", "check the number and the unit"),
    (("blade", "thickness"), 0, r"blade\.thickness is 0", "may be left out"),
    (("blade", "grooves_left"), [[3.2, 2.0]], r"grooves_left #1 is \[3\.2, 2\]", "near smaller than far"),
    (("blade", "grooves_left"), [[1.0]], r"grooves_left #1 has fewer than 2 entries", r"\[near, far\]"),
    (("blade", "grooves_left"), [1.0, 2.0], r"grooves_left #1 is 1\.0", r"\[near, far\]"),
    (("blade", "grooves_right"), [[-1.0, 2.0]], r"grooves_right #1 #1 is -1\.0", r"\[near, far\]"),
    (("blade", "grooves_right"), [[4.0, 5.0], [1.0, 2.0]], r"grooves_right #2 is \[1, 2\]", "ascending"),
    (("blade", "grooves_right"), [[1.0, 3.0], [2.0, 4.0]], r"grooves_right #2 is \[2, 4\]", "none overlapping"),
    (("blade", "tip"), [[24.5, 1.0]], r"blade\.tip #1 is \[24\.5, 1\], outside the blade", "within length and width"),
    (("blade", "tip"), [[23.0, 9.0]], r"blade\.tip #1 is \[23, 9\], outside the blade", "within length and width"),
    (("blade", "tip"), [[23.0]], r"tip #1 has fewer than 2 entries", r"list of \[x, y\]"),
    (("blade", "widht"), 8.5, r"blade\.widht is not a key", "Perhaps width is meant; allowed here are edges, "),
    (("cuts", "positions"), [], r"cuts\.positions has fewer than 1 entries", "list of 1 to 60 numbers"),
    (("cuts", "positions"), [5.0, 4.0], r"positions #2 is 4, not beyond the one before it, 5", "ascending"),
    (("cuts", "positions"), [5.0, 5.0], r"positions #2 is 5, not beyond", "ascending"),
    (("cuts", "positions"), [5.0, "x"], r'positions #2 is "x"', "numbers above 0"),
    (("cuts", "positions"), [-1.0, 5.0], r"positions #1 is -1\.0", "numbers above 0"),
    (("cuts", "positions"), [i / 1000 for i in range(1, 10_001)], r"has more than 60 entries", "1 to 60"),
    (("cuts", "roots"), {}, r"cuts\.roots has fewer than 1 entries", "depth code"),
    (("cuts", "roots"), [8.1, 7.6], r"cuts\.roots is a list", "depth code"),
    (("cuts", "roots", "B"), 0.0, r"cuts\.roots\.B is 0\.0", "root height above 0"),
    (("cuts", "roots", "B"), -1.0, r"cuts\.roots\.B is -1\.0", "root height above 0"),
    (("cuts", "roots", "B"), 8.6, r"cuts\.roots\.B is 8\.6, above the blade's width, 8\.5", "at most blade.width"),
    (("cuts", "roots", "B"), 7.6, r"is 7\.6, the same as that of code 2", "a root height of its own"),
    (("cuts", "roots", "3-4"), 6.6, r"cuts\.roots\.3-4 is not a depth code", "letters and digits"),
    (("cuts", "roots", ""), 6.6, r'cuts\.roots\."" is not a depth code', "letters and digits"),
    (("cuts", "roots", "é"), 6.6, r'cuts\.roots\."é" is not a depth code', "letters and digits"),
    (("cuts", "order"), "left", r'cuts\.order is "left"', '"bow-to-tip" or "tip-to-bow"'),
    (("cuts", "angle"), 180.0, r"cuts\.angle is 180\.0", "between 0 and 180"),
    (("cuts", "macs"), 0, r"cuts\.macs is 0", "1 or more"),
    (("cuts", "macs"), 4.0, r"cuts\.macs is 4\.0", "a whole number"),
    (("cuts", "macs"), 16**40, r"cuts\.macs is a number far too large", "a whole number"),
    (("cuts", "as_made_sd"), 0.0, r"cuts\.as_made_sd is 0\.0", "above 0"),
    (("cuts", "counts"), [4, 3], r"cuts\.counts is \[4, 3\]", "ascending"),
    (("cuts", "counts"), [5], r"cuts\.counts is \[5\]", "none above the 4 positions"),
    (("blanks",), [], r"blanks has fewer than 1 entries", "at least one"),
    (("blanks", 0, "id"), MISSING, r"blanks #1\.id is missing", "unique in the library"),
    (("blanks", 1, "id"), "quay-4-plain", r'blanks #2\.id is "quay-4-plain" for the second time', "of its own"),
    (("blanks", 1, "head"), "wood", r'blanks #2\.head is "wood"', '"metal" or "plastic"'),
    (("blanks", 1, "electronics"), "chip", r'blanks #2\.electronics is "chip"', '"rolling-code"'),
    (("blanks", 1, "test_blank"), "A b", r'blanks #2\.test_blank is "A b"', "the id of a plain metal blank"),
    (("handling", "adding_keys"), [[1, "a"], [1, "b"]], r"adding_keys has the numbers \[1, 1\]", "ascending"),
    (("handling", "adding_keys"), [["1", "a"]], r'adding_keys #1 #1 is "1"', "working keys left"),
    (("handling", "hold"), "", r'handling\.hold is ""', "one line of text"),
]


@pytest.mark.parametrize(("path", "value", "wrong", "right"), WRONG)
def test_a_wrong_value_is_named_with_its_place_and_what_is_right(
    path: Path, value: object, wrong: str, right: str
) -> None:
    with pytest.raises(ProfileError, match=wrong) as caught:
        parse(changed(path, value))
    assert caught.value.message.startswith("quay.toml: ")
    assert caught.value.code == "bad-profile"
    assert re.search(right, caught.value.advice), caught.value.advice


def test_several_faults_are_counted() -> None:
    with pytest.raises(ProfileError, match=r'unit is "cm" \(the first of 2 faults\)'):
        parse(changed(("blade", "width"), -1.0, changed(("unit",), "cm")))


def test_a_misspelt_key_is_told_before_the_one_it_leaves_missing() -> None:
    with pytest.raises(ProfileError, match=r"blade\.wdth is not a key .*Perhaps width is meant"):
        parse(changed(("blade", "wdth"), 8.5, changed(("blade", "width"), MISSING)))


BROKEN_BYTES: list[tuple[bytes, str]] = [
    (b"format = 1\nid = quay\n", r"quay\.toml: line 2, column 6: "),
    (b"format = 1\nformat = 1\n", r"line 2, column 11: Cannot overwrite a value"),
    (b"format = 1\n[blade\n", r"line 2, column 7: "),
    (b'name = "a', r"line 1, the end of the file: Unterminated string"),
    (b"\nname = 'Caf\xe9'\n", r"line 2 is not UTF-8"),
    (to_toml(EXAMPLE).encode("utf-16"), r"line 1 is not UTF-8"),
    (b"width = " + b"9" * 5000, r"far too many digits"),
    (b"# " + b"x" * MOST_BYTES, r"larger than 256 KB"),
    (b"", r"is missing \(the first of \d+ faults\)"),
    (b"x = " + b"[" * 5000, r"brackets stand too deep"),
]


@pytest.mark.parametrize(("data", "wrong"), BROKEN_BYTES)
def test_what_is_no_toml(data: bytes, wrong: str) -> None:
    with pytest.raises(ProfileError, match=wrong):
        parse_profile(data, "quay.toml")


@pytest.mark.parametrize("part", [b"a.", b"a . ", b'"a.b"\t. ', b"''."])
def test_a_key_of_very_many_parts_is_refused_before_it_eats_memory(part: bytes) -> None:
    # Read by tomllib, 100,000 parts took over a minute and more memory than the machine has.
    started = time.perf_counter()
    with pytest.raises(ProfileError, match="key of too many parts"):
        parse_profile(b"format = 1\n" + part * (250_000 // len(part)) + b"a = 1\n", "deep.toml")
    assert time.perf_counter() - started < 1.0  # seconds; it takes milliseconds


values = st.one_of(
    st.none().map(lambda _: MISSING),
    st.booleans(),
    st.integers(-(10**18), 10**18),
    st.floats(),
    st.text(st.characters(exclude_categories=("Cs",)), max_size=20),
    st.lists(st.one_of(st.floats(), st.text(st.characters(exclude_categories=("Cs",)), max_size=5)), max_size=5),
    st.dictionaries(st.text(st.characters(exclude_categories=("Cs",)), max_size=5), st.floats(), max_size=3),
)


# Whatever is in the file: a Profile that keeps the rules, or a ProfileError; never another exception.


@given(st.data())
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None, max_examples=300)
def test_one_value_replaced(data: st.DataObject) -> None:
    table = data.draw(profile_tables())
    path = data.draw(st.sampled_from(paths(table)))
    read_damaged(to_toml(changed(path, data.draw(values), table)).encode())


@given(st.data())
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None, max_examples=300)
def test_bytes_replaced(data: st.DataObject) -> None:
    content = bytearray(to_toml(EXAMPLE).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    read_damaged(bytes(content))


@given(st.binary(max_size=200))
def test_any_bytes(content: bytes) -> None:
    with pytest.raises(ProfileError, match=r"^any\.toml: "):
        parse_profile(content, "any.toml")


@given(profile_tables(), st.sampled_from(["", "blade", "cuts"]), st.text("abcxyz", min_size=1))
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_an_unknown_key_is_an_error(table: Table, where: str, key: str) -> None:
    path = (where, key + "_") if where else (key + "_",)
    with pytest.raises(ProfileError, match="is not a key of this format"):
        parse(changed(path, 1, table))


@given(st.data(), profile_tables())
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_a_needed_key_left_out_is_an_error(data: st.DataObject, table: Table) -> None:
    needed = [
        ("format",),
        ("id",),
        ("name",),
        ("unit",),
        ("status",),
        ("source",),
        ("blade",),
        ("cuts",),
        ("blanks",),
    ]
    needed += [("blade", key) for key in ("edges", "stop", "width")]
    needed += [("cuts", key) for key in ("positions", "roots", "order")]
    needed += [("blanks", 0, key) for key in ("id", "head", "electronics")]
    path = data.draw(st.sampled_from(needed))
    with pytest.raises(ProfileError, match=f"{path[-1]} is missing"):
        parse(changed(path, MISSING, table))


def read_damaged(content: bytes) -> None:
    outcome = profile_or_error(content)
    if isinstance(outcome, ProfileError):
        assert outcome.message.startswith("damaged.toml: ")
        assert all(character.isprintable() for character in outcome.message), outcome.message
        assert outcome.advice
        return
    assert not list(broken_rules(outcome))
    assert list(outcome.positions_mm) == sorted(set(outcome.positions_mm))
    assert 0 < outcome.roots_mm[-1] <= outcome.roots_mm[0] <= outcome.width_mm < math.inf


def profile_or_error(content: bytes) -> Profile | ProfileError:
    try:
        return parse_profile(content, "damaged.toml")
    except ProfileError as error:
        return error


@pytest.mark.parametrize(
    ("path", "value", "doubt"),
    [
        (("blade", "length"), 80.0, r"blade\.length is 80 mm; usual are 12 to 60"),
        (("blade", "width"), 20.0, r"blade\.width is 20 mm"),
        (("blade", "thickness"), 0.8, r"blade\.thickness is 0\.8 mm"),
        (("cuts", "angle"), 30.0, r"cuts\.angle is 30 degrees"),
        (("cuts", "flat"), 4.0, r"cuts\.flat, 4 mm, is longer than the narrowest spacing, 3\.8 mm"),
        (("cuts", "positions"), [5.0, 6.5, 12.6, 16.4], r"1\.5 to 6\.1 mm apart"),
        (("cuts", "roots", "3"), 7.15, r"two codes only 0\.05 mm apart"),
        (("cuts", "roots", "3"), 2.0, r"cuts\.roots\.3 leaves 2 of 8\.5 mm"),
        # 1.0 mm of rise at 45 degrees takes 1.0 mm; 1.5 mm less 0.75 of the flat, 1.2 mm, leave 0.6 mm.
        (("cuts", "positions"), [5.0, 6.5, 8.0, 9.5], r"cuts\.macs, 2, allows a step whose flank would cut away"),
        (("cuts", "macs"), 3, r"cuts\.macs, 3, is more than the 3 codes allow"),
        (("cuts", "as_made_sd"), 0.3, r"as_made_sd, 0\.3 mm, is more than half a depth step"),
        (("blanks", 1, "test_blank"), "other", r"#2\.test_blank, other, is not a blank of this blade"),
        (("blanks", 0, "electronics"), "unknown", r"#2\.test_blank, quay-4-plain, is not a plain metal blank"),
    ],
)
def test_an_unusual_number_is_told_and_used(path: Path, value: object, doubt: str) -> None:
    said = doubts(parse(changed(path, value)))
    assert any(re.search(doubt, line) for line in said), said


def test_nothing_is_said_about_the_example() -> None:
    assert doubts(parse(EXAMPLE)) == ()


def test_grooves_names_and_blanks_do_not_count() -> None:
    profile = parse(EXAMPLE)
    other = replace(profile, id="x", name="y", grooves_left_mm=(), blanks=profile.blanks[:1], codes=("a", "b", "c"))
    assert same_outline(profile, other)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("edges", 2),
        ("stop", "tip"),
        ("length_mm", None),
        ("width_mm", 8.51),
        ("thickness_mm", 2.01),
        ("positions_mm", (5.0, 8.8, 12.6, 16.41)),
        ("roots_mm", (8.1, 7.6, 7.11)),
        ("flat_mm", 1.21),
        ("angle_deg", 91.0),
    ],
)
def test_one_number_apart_is_another_outline(field: str, value: object) -> None:
    profile = parse(EXAMPLE)
    changes: Any = {field: value}
    assert not same_outline(profile, replace(profile, **changes))


@pytest.mark.parametrize(
    ("stop", "order", "first"),
    [
        ("shoulder", "bow-to-tip", True),
        ("shoulder", "tip-to-bow", False),
        ("tip", "tip-to-bow", True),
        ("tip", "bow-to-tip", False),
    ],
)
def test_whether_a_bitting_is_read_from_the_stop(stop: str, order: str, first: bool) -> None:
    table = changed(("blade", "stop"), stop, changed(("cuts", "order"), order))
    assert parse(table).stop_first is first


def test_the_records_do_without_pydantic() -> None:
    # Its import takes longer than all the rest of `keyid --help`.
    code = "import sys, keyid.profiles.profile, keyid.profiles.library; sys.exit('pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
