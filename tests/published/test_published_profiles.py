"""The profiles under reference_profiles/published, checked against the tables as their sources print them.

All figures are inches as printed.  Sources, by letter:

- GB: web table "Standard Cylinders", gbppr.net/mil/lock/tips.htm, no date seen.
- LS: web table "Key Depth and Spacing Information", locksafesystems.com/depth_and_space.htm, no date seen.
- F1: a locksmith's post of 17 Jul 2013, lockpicking101.com, viewtopic f=9 t=57422.
- F2: a post in the same forum, p=304505.
- AL: "What is Schlage combinating rule 15?", Allegion knowledge centre (maker), kc.allegion.com, no date seen.
- LL: "Sargent Key Cutting By Locksmith Unlimited", Locksmith Ledger, article 10294115, no date seen.
- KN: chart "Figure 11", Keynotes, ALOA, p. 33, no date seen.
- KP: Kaba, Peaks Preferred Technical Manual, section 1-4 (maker), no date seen.
- M: from memory, not found in print.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import pytest

from keyid.profiles.library import load_library, shipped_folder
from keyid.profiles.profile import Profile

SLACK = 1e-9  # inches: rounding of binary fractions, far below the last digit printed


@dataclass(frozen=True)
class Printed:
    """A table as printed: the first cut's distance from the stop, the spacing, and root and bottom pin by code."""

    files: tuple[str, ...]
    first: float
    spacing: float
    roots: dict[str, float]
    increment: float
    macs: int | None = None
    pins: tuple[float, ...] = ()


TABLES = {
    "Schlage (F1; spacing and increment AL)": Printed(
        ("schlage-classic-5", "schlage-classic-6"),
        0.231,
        0.1562,
        {
            "0": 0.335,
            "1": 0.320,
            "2": 0.305,
            "3": 0.290,
            "4": 0.275,
            "5": 0.260,
            "6": 0.245,
            "7": 0.230,
            "8": 0.215,
            "9": 0.200,
        },
        0.015,
    ),
    "Kwikset (F1; depth 7 and increment F2)": Printed(
        ("kwikset-5",),
        0.247,
        0.150,
        {"1": 0.329, "2": 0.306, "3": 0.283, "4": 0.260, "5": 0.237, "6": 0.214, "7": 0.191},
        0.023,
    ),
    "Kwikset Titan (F1; depth 7 F2)": Printed(
        ("kwikset-titan-6",),
        0.097,
        0.150,
        {"1": 0.329, "2": 0.306, "3": 0.283, "4": 0.260, "5": 0.237, "6": 0.214, "7": 0.191},
        0.023,
    ),
    "Arrow (GB)": Printed(
        ("arrow-5", "arrow-6"),
        0.265,
        0.155,
        {
            "0": 0.312,
            "1": 0.298,
            "2": 0.284,
            "3": 0.270,
            "4": 0.256,
            "5": 0.242,
            "6": 0.228,
            "7": 0.214,
            "8": 0.200,
            "9": 0.186,
        },
        0.014,
        7,
        (0.178, 0.192, 0.206, 0.220, 0.234, 0.248, 0.262, 0.276, 0.290, 0.304),
    ),
    "Corbin Z bow (GB)": Printed(
        ("corbin-z-6", "corbin-z-7"),
        0.250,
        0.156,
        {
            "1": 0.343,
            "2": 0.329,
            "3": 0.315,
            "4": 0.301,
            "5": 0.287,
            "6": 0.273,
            "7": 0.259,
            "8": 0.245,
            "9": 0.231,
            "10": 0.217,
        },
        0.014,
        8,
        (0.160, 0.174, 0.189, 0.203, 0.218, 0.231, 0.246, 0.259, 0.273, 0.287),
    ),
    "Corbin X bow (GB)": Printed(
        ("corbin-x-6",),
        0.197,
        0.156,
        {
            "1": 0.333,
            "2": 0.319,
            "3": 0.305,
            "4": 0.291,
            "5": 0.277,
            "6": 0.263,
            "7": 0.249,
            "8": 0.235,
            "9": 0.221,
            "10": 0.207,
        },
        0.014,
        8,
        (0.171, 0.185, 0.198, 0.212, 0.226, 0.241, 0.256, 0.269, 0.284, 0.297),
    ),
    "Corbin Russwin System 70 (LS; increment also KN)": Printed(
        ("corbin-russwin-70-6", "corbin-russwin-70-7"),
        0.250,
        0.156,
        {"1": 0.339, "2": 0.311, "3": 0.283, "4": 0.255, "5": 0.227, "6": 0.199},
        0.028,
        4,
    ),
    "Emhart (GB; limits for neighbours LS)": Printed(
        ("emhart-6",),
        0.250,
        0.156,
        {"2": 0.305, "3": 0.277, "4": 0.249, "5": 0.221, "6": 0.193},
        0.028,
        4,
        (0.242, 0.270, 0.298, 0.326, 0.354),
    ),
    "Dexter (GB)": Printed(
        ("dexter-5",),
        0.216,
        0.155,
        {
            "0": 0.320,
            "1": 0.305,
            "2": 0.290,
            "3": 0.275,
            "4": 0.260,
            "5": 0.245,
            "6": 0.230,
            "7": 0.215,
            "8": 0.200,
            "9": 0.185,
        },
        0.015,
        7,
        (0.165, 0.180, 0.195, 0.210, 0.225, 0.240, 0.255, 0.270, 0.285, 0.300),
    ),
}

SYSTEM_70_POSITIONS = (0.250, 0.406, 0.562, 0.718, 0.874, 1.030, 1.186)  # LS prints each

SARGENT_F1 = {"1": 0.328, "2": 0.308, "3": 0.288, "4": 0.268, "5": 0.248, "6": 0.228, "7": 0.208}

SFIC = {"a2": (10, 0.0125, 9), "a3": (7, 0.018, 6), "a4": (6, 0.021, 5)}  # depths, increment, MACS: KN; A2, A4 also KP
SFIC_DEEPEST = {"a2": 0.2055, "a3": 0.210, "a4": 0.213}  # M: .318 less the increments


@pytest.fixture(scope="module")
def profiles() -> dict[str, Profile]:
    folder = shipped_folder() / "published"
    return {profile.id: profile for profile in load_library(folder).profiles}


def inches(mm: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(value / 25.4 for value in mm)  # 25.4 mm: international yard and pound agreement, 1959


def steps(heights: tuple[float, ...]) -> list[float]:
    return [higher - lower for higher, lower in pairwise(heights)]


@pytest.mark.parametrize("name", TABLES)
def test_roots_are_as_printed(profiles: dict[str, Profile], name: str) -> None:
    table = TABLES[name]
    for file in table.files:
        profile = profiles[file]
        assert dict(zip(profile.codes, inches(profile.roots_mm), strict=True)) == pytest.approx(table.roots, abs=SLACK)


@pytest.mark.parametrize("name", TABLES)
def test_positions_follow_from_the_printed_first_cut_and_spacing(profiles: dict[str, Profile], name: str) -> None:
    table = TABLES[name]
    for file in table.files:
        found = inches(profiles[file].positions_mm)
        printed = [table.first + table.spacing * number for number in range(int(file.rsplit("-", 1)[1]))]
        assert found == pytest.approx(printed, abs=SLACK)


@pytest.mark.parametrize("name", TABLES)
def test_depths_step_by_the_printed_increment(profiles: dict[str, Profile], name: str) -> None:
    table = TABLES[name]
    for file in table.files:
        assert steps(inches(profiles[file].roots_mm)) == pytest.approx([table.increment] * (len(table.roots) - 1))


@pytest.mark.parametrize("name", TABLES)
def test_macs_is_as_printed_or_left_out(profiles: dict[str, Profile], name: str) -> None:
    assert {profiles[file].macs for file in TABLES[name].files} == {TABLES[name].macs}


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [
        ("Arrow (GB)", 0.490, 0.490),
        ("Dexter (GB)", 0.485, 0.485),
        ("Corbin Z bow (GB)", 0.503, 0.505),
        ("Corbin X bow (GB)", 0.503, 0.505),
        ("Emhart (GB; limits for neighbours LS)", 0.547, 0.547),
    ],
)
def test_root_and_bottom_pin_fill_the_plug(profiles: dict[str, Profile], name: str, least: float, most: float) -> None:
    # GB prints both columns: root depth and bottom pin together reach from the key's lower edge to the shear line,
    # so a mistyped root breaks the sum.
    table = TABLES[name]
    for file in table.files:
        sums = [root + pin for root, pin in zip(inches(profiles[file].roots_mm), table.pins, strict=True)]
        assert least - SLACK <= min(sums)
        assert max(sums) <= most + SLACK


def test_system_70_positions_are_those_printed_one_by_one(profiles: dict[str, Profile]) -> None:
    assert inches(profiles["corbin-russwin-70-7"].positions_mm) == pytest.approx(SYSTEM_70_POSITIONS, abs=SLACK)


class TestSargent:
    """LL quotes the maker: first cut .215 +/-.001, spacing .156, depth 1 .330 +/-.002, increment .020, 78 degrees."""

    @pytest.mark.parametrize("count", [5, 6])
    def test_the_makers_figures(self, profiles: dict[str, Profile], count: int) -> None:
        """As LL prints them."""
        profile = profiles[f"sargent-{count}"]
        assert inches(profile.positions_mm) == pytest.approx([0.215 + 0.156 * i for i in range(count)], abs=SLACK)
        assert inches(profile.roots_mm)[0] == pytest.approx(0.330, abs=SLACK)
        assert steps(inches(profile.roots_mm)) == pytest.approx([0.020] * 6)
        assert profile.angle_deg == 78.0

    def test_the_other_table_is_two_thousandths_lower(self, profiles: dict[str, Profile]) -> None:
        """F1 prints .002 less throughout, which LL warns of: within the maker's own limit."""
        profile = profiles["sargent-6"]
        ours = dict(zip(profile.codes, inches(profile.roots_mm), strict=True))
        assert [ours[code] - root for code, root in SARGENT_F1.items()] == pytest.approx([0.002] * 7)

    def test_as_made_is_half_the_makers_limit(self, profiles: dict[str, Profile]) -> None:
        """A trade limit of +/- t is about two standard deviations."""
        assert inches((profiles["sargent-5"].as_made_sd_mm or 0.0,)) == pytest.approx((0.002 / 2,))


@pytest.mark.parametrize("system", SFIC)
@pytest.mark.parametrize("count", [6, 7])
def test_interchangeable_cores(profiles: dict[str, Profile], system: str, count: int) -> None:
    depths, increment, macs = SFIC[system]
    profile = profiles[f"sfic-{system}-{count}"]
    assert (len(profile.codes), profile.macs) == (depths, macs)
    assert steps(inches(profile.roots_mm)) == pytest.approx([increment] * (depths - 1))
    assert steps(inches(profile.positions_mm)) == pytest.approx([-0.150] * (count - 1))  # KP, KN
    assert (profile.stop, profile.order, profile.stop_first) == ("tip", "tip-to-bow", True)  # Keynotes, Oct 2016, p. 38
    assert inches(profile.roots_mm)[-1] == pytest.approx(SFIC_DEEPEST[system], abs=SLACK)
    assert profile.status == "from-memory"


def test_only_the_cores_are_from_memory_and_each_file_says_where_its_figures_are_from(
    profiles: dict[str, Profile],
) -> None:
    for profile in profiles.values():
        assert profile.unit == "in"
        assert (profile.status == "from-memory") == profile.id.startswith("sfic-")
        assert (profile.status == "from-memory") == ("from memory" in profile.source)
        assert "No source prints the width" in profile.source or profile.status == "from-memory"


def test_an_unprinted_width_is_above_the_highest_root_and_called_unsure(profiles: dict[str, Profile]) -> None:
    for profile in profiles.values():
        (width, sd, highest) = inches((profile.width_mm, profile.width_sd_mm or 0.0, profile.roots_mm[0]))
        assert sd == pytest.approx(0.015)
        assert width - highest >= 0.015 - SLACK


def test_every_table_of_this_page_has_its_files_and_every_file_its_table(profiles: dict[str, Profile]) -> None:
    named = {file for table in TABLES.values() for file in table.files}
    named |= {"sargent-5", "sargent-6"} | {f"sfic-{system}-{count}" for system in SFIC for count in (6, 7)}
    assert named == set(profiles)


@pytest.mark.parametrize(
    ("first", "second", "gap_mm"),
    [
        ("schlage-classic-5", "sargent-5", 0.4064),  # .231 - .215
        ("arrow-5", "dexter-5", 1.2446),  # .265 - .216
        ("kwikset-5", "kwikset-titan-6", 3.81),  # .247 - .097: one whole spacing
        ("corbin-z-6", "corbin-x-6", 1.3462),  # .250 - .197
        ("corbin-russwin-70-6", "emhart-6", 0.0),
    ],
)
def test_look_alikes_differ_by_the_first_cut(
    profiles: dict[str, Profile], first: str, second: str, gap_mm: float
) -> None:
    gap = profiles[first].positions_mm[0] - profiles[second].positions_mm[0]
    assert gap == pytest.approx(gap_mm, abs=1e-6)


def test_a_titan_key_is_a_standard_one_with_a_cut_before_the_first(profiles: dict[str, Profile]) -> None:
    standard, titan = profiles["kwikset-5"], profiles["kwikset-titan-6"]
    assert titan.positions_mm[1:] == pytest.approx(standard.positions_mm)
    assert titan.roots_mm == standard.roots_mm


def test_emhart_roots_are_six_thousandths_below_system_70(profiles: dict[str, Profile]) -> None:
    emhart, plain = profiles["emhart-6"], profiles["corbin-russwin-70-6"]
    gaps = [a - b for a, b in zip(inches(plain.roots_mm[1:]), inches(emhart.roots_mm), strict=True)]
    assert gaps == pytest.approx([0.006] * 5)


@pytest.mark.parametrize(
    ("file", "step_mm"),
    [  # increments in mm by hand: inches times 25.4
        ("schlage-classic-5", 0.381),
        ("kwikset-5", 0.5842),
        ("sargent-5", 0.508),
        ("arrow-5", 0.3556),
        ("corbin-russwin-70-6", 0.7112),
        ("sfic-a2-7", 0.3175),
        ("sfic-a3-7", 0.4572),
        ("sfic-a4-7", 0.5334),
    ],
)
def test_increments_in_mm(profiles: dict[str, Profile], file: str, step_mm: float) -> None:
    assert steps(profiles[file].roots_mm) == pytest.approx([step_mm] * (len(profiles[file].codes) - 1), abs=1e-9)
