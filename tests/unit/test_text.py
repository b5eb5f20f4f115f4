"""The answer in words: one screen, what to do first, and nothing that could mislead."""

from __future__ import annotations

from dataclasses import replace

import pytest

from keyid.errors import PhotoError
from keyid.length import Length
from keyid.readings.cautions import CAUTIONS
from keyid.readings.reading import Reading
from keyid.readings.remark import Remark
from keyid.reports.text import both_units, error_text, plain, reading_text
from tests.unit.example_reading import NEXT, bitting, candidate, reading

SCREEN_LINES = 30
SCREEN_COLUMNS = 80


def flat(text: str) -> str:
    return " ".join(text.split())


def worst_case(cuts: int = 12) -> Reading:
    many = tuple(candidate(f"rather-a-long-name-{n}", 0.3, "A", cuts=cuts) for n in range(3))
    return reading(
        cuts=cuts,
        candidates=many,
        next_measurement=NEXT,
        bitting=replace(
            bitting(cuts),
            wear=Length(0.2, 0.02),
            shift=Length(-0.3, 0.02),
            also=(("-".join("1234" * 3)[: 2 * cuts - 1], 0.2),) * 2,
        ),
        remarks=(Remark(0.3, "The photo is slanted by 35 degrees.", "Hold it level." * 9),) * 4,
        blade=replace(reading().blade, edges=2),
    )


@pytest.mark.parametrize("made", [reading(), reading(cuts=7, next_measurement=NEXT), worst_case(), worst_case(10)])
def test_it_fits_one_screen(made: Reading) -> None:
    lines = reading_text(made).splitlines()
    assert len(lines) <= SCREEN_LINES
    assert max(map(len, lines)) <= SCREEN_COLUMNS


def test_an_ordinary_key_fits_a_small_terminal() -> None:
    assert len(reading_text(reading(cuts=6)).splitlines()) <= 24


def test_the_verdict_comes_first() -> None:
    first = flat(reading_text(reading()))
    assert first.startswith("Verdict Blade Pier (97 %, likely). Cuts 1-1-1-1 (91 %, likely).")


SLANT, DARK = Remark(0.2, "The photo is slanted.", "Hold it level."), Remark(0.05, "It is dark.", "More light.")


def test_one_line_says_what_limits_the_photo_most_before_the_verdict() -> None:
    lines = reading_text(reading(remarks=(DARK,))).splitlines()
    assert lines[0] == "Photo     Good enough. Worst: it is dark (0.05 mm)."
    assert lines[1].startswith("Verdict")
    assert "Better Cuts may be 0.05 mm off. It is dark. More light. Beware" in flat("\n".join(lines))


def test_a_poor_photo_whose_reading_is_sure_doesnt_keep_the_verdict_waiting() -> None:
    lines = reading_text(reading(remarks=(SLANT, DARK))).splitlines()
    assert lines[0] == "Photo     Better retake. Worst: the photo is slanted (0.20 mm)."
    assert lines[1].startswith("Verdict")
    better = "Better Cuts may be 0.21 mm off in all. 0.20 mm: The photo is slanted. Hold it level. 0.05 mm: It is dark."
    assert better in flat("\n".join(lines))


@pytest.mark.parametrize("unsure", [{"bitting": bitting(probability=0.5)}, {"none_of_these": 0.9, "bitting": None}])
def test_a_poor_photo_whose_reading_is_unsure_is_to_be_taken_again_first(unsure: dict[str, object]) -> None:
    said = flat(reading_text(reading(remarks=(SLANT, DARK), **unsure)))
    first = "Photo Take the photo again before you cut. Cuts may be 0.21 mm off in all."
    assert said.startswith(f"{first} The photo is slanted. Hold it level. Verdict")
    assert "Better 0.05 mm: It is dark. More light. Beware" in said
    good_enough = flat(reading_text(reading(remarks=(DARK,), **unsure)))
    assert good_enough.startswith("Photo Good enough.")


def test_what_to_do_is_seen_at_a_glance() -> None:
    """Blade, cuts and what to do now within the first nine lines of the longest answer."""
    lines = reading_text(worst_case()).splitlines()
    assert next(n for n, line in enumerate(lines) if line.startswith("Do now")) < 9
    assert lines.index(next(line for line in lines if "Cuts 1-1" in line)) < 8


def test_blades_that_are_left_are_all_named() -> None:
    left = (candidate("pier", 0.52, "A"), candidate("quay", 0.44, "B"))
    said = flat(reading_text(reading(candidates=left, next_measurement=NEXT)))
    assert "2 blades left: Pier 52 %, Quay 44 %." in said
    assert "Do now Measure the blade's width with a caliper. 8.50 mm means Pier, 8.20 mm Quay." in said


def test_blades_of_one_group_are_named_together() -> None:
    twins = (candidate("pier", 0.5, "A"), candidate("quay", 0.47, "A"))
    said = flat(reading_text(reading(candidates=twins)))
    assert "One of Pier, Quay (97 %, likely): this photo can't tell them apart." in said


def test_a_key_of_no_listed_blade_is_not_to_be_cut() -> None:
    said = flat(reading_text(reading(none_of_these=0.97, bitting=None)))
    assert "No blade in the library fits this key (97 %, likely). Do not cut from this reading." in said
    assert "Blanks" not in said


def test_an_uncut_blade_may_be_a_blank_or_cut_on_its_face() -> None:
    uncut = replace(reading().blade, edges=None)
    said = flat(reading_text(reading(blade=uncut, bitting=None, cuts=0)))
    assert "a blank, or a key cut on its face" in said


def test_every_bitting_comes_with_the_cautions() -> None:
    said = flat(reading_text(reading()))
    assert all(caution in said for caution in CAUTIONS)


@pytest.mark.parametrize(("stop", "words"), [("shoulder", "blank's shoulder against"), ("tip", "blank's tip against")])
def test_the_stop_is_told_in_words(stop: str, words: str) -> None:
    said = flat(reading_text(reading(blade=replace(reading().blade, stop=stop))))
    assert words in said


def test_a_number_and_its_unit_stay_on_one_line() -> None:
    said = reading_text(worst_case()).splitlines() + reading_text(reading()).splitlines()
    assert not [line for line in said if line.lstrip().startswith(("%", "mm", "thou"))]


def test_what_the_profile_says_of_holding_is_told() -> None:
    held = replace(candidate(), profile=replace(candidate().profile, hold="Clamp on the flat back."))
    assert "Clamp on the flat back." in flat(reading_text(reading(candidates=(held,))))


def test_a_shift_away_from_the_stop_is_news() -> None:
    shifted = replace(bitting(), shift=Length(0.25, 0.03))
    assert "All cuts sit 0.25 mm away from the stop" in flat(reading_text(reading(bitting=shifted)))


def test_other_whole_bittings_are_told_in_the_order_to_try_them() -> None:
    unsure = replace(
        bitting(), probability=0.5, also=(("4-4-2", 0.25), ("4-5-2", 0.1), ("1-5-2", 0.06), ("1-1-1", 0.01))
    )
    assert "(50 %, unsure). Then try 4-4-2 (25 %), 4-5-2 (10 %)." in flat(reading_text(reading(bitting=unsure)))
    assert "Then try" not in reading_text(reading(bitting=replace(unsure, also=(("1-1-1", 0.04),))))


def test_lengths_are_shown_in_both_units_with_95_percent_limits() -> None:
    # By hand: 8.082 / 25.4 = 0.31819 in; 2 x 0.021 / 25.4 = 0.00165 in.
    assert both_units(Length(8.082, 0.021)) == "8.08 ±0.04 mm = 318 ±2 thou"


def test_blanks_that_the_photo_speaks_for_come_first() -> None:
    said = flat(reading_text(reading()))
    first = "Blanks pier-b (plastic head, encrypted chip, try cuts on pier-a);"
    assert f"{first} pier-a (metal head, no electronics) Beware" in said


def test_blades_that_are_left_show_a_blank_each() -> None:
    twins = (candidate("pier", 0.5, "A"), candidate("quay", 0.47, "A"))
    said = flat(reading_text(reading(candidates=twins)))
    assert "Blanks Pier: pier-b (plastic head, encrypted chip, try cuts on pier-a); 1 more. Quay: quay-b" in said


def test_names_cannot_steer_the_terminal() -> None:
    assert plain("a\x1b[31mb\nc\u202ed") == "a [31mb c d"
    evil = replace(candidate(), profile=replace(candidate().profile, name="a\x1b[2Jb"))
    assert "\x1b" not in reading_text(reading(candidates=(evil,)))


@pytest.mark.parametrize(
    ("advice", "sentence"),
    [
        ("Lay one beside the card.", "No key was found: lay one beside the card."),
        ("HEIC is not read.", "No key was found: HEIC is not read."),
        ("", "No key was found."),
    ],
)
def test_an_error_is_one_plain_sentence(advice: str, sentence: str) -> None:
    assert error_text(PhotoError("no-key", "No key was found.", advice)) == sentence


def test_a_blade_that_a_caliper_ruled_out_is_not_named() -> None:
    made = reading(candidates=(candidate("pier", 0.985, "A"), candidate("quay", 0.005, "A")))
    assert "Blade Pier" in reading_text(made)
    assert "Quay" not in reading_text(made)
