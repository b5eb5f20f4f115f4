"""What is known beside the photo, on exact edges of invented keys (no source needed)."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from keyid.blades.blade import Blade
from keyid.commands.cli import main
from keyid.errors import KeyidError
from keyid.profiles.profile import Blank
from keyid.rankings.known import Known, ListedCode, load_code_list
from keyid.rankings.ranking import rank
from keyid.readings.bitting import read_bitting
from keyid.readings.clashes import clashes
from keyid.readings.double_check import check_words, double_check, profile_of_blank
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured, with_heights

CODE = "3-1-4-2-5"
TWIN = replace(PIER, id="pier-5b", name="Pier b", grooves_left_mm=((4.4, 6.6),))
BLANKED = replace(MOLE, blanks=(Blank("mole-brass", "metal", None, "none", None, ""),))
LIBRARY = (PIER, BLANKED, QUAY, TWIN)


def hidden_third_cut() -> Blade:
    return with_heights(measured(key_of(PIER, CODE)), 10.3, 12.5, np.nan)


def code_of(blade: Blade, known: Known) -> tuple[str, float]:
    ranking = rank(blade, (PIER, BLANKED), known)
    bitting = read_bitting(ranking, blade, known)
    assert bitting is not None
    return "-".join(ranking.candidates[0].decoded.best[0][0]), ranking.candidates[0].decoded.best[0][1]


def test_a_known_cut_is_taken_and_counted_from_where_the_bitting_is_read() -> None:
    code, p = code_of(hidden_third_cut(), Known(((3, "4"),)))
    assert code == CODE
    assert p > 0.9
    turned = replace(PIER, order="tip-to-bow")
    first = rank(hidden_third_cut(), (turned,), Known(((1, "5"), (3, "2")))).candidates[0]
    assert first.decoded.best[0][0] == tuple("31225")  # from the stop, so that cut 1 is the last


def test_a_code_list_decides_what_the_photo_leaves_open() -> None:
    entries = [ListedCode(tuple(text.split("-")), number) for text, number in ((CODE, "A17"), ("3-1-2-2-4", None))]
    known = Known(listed=tuple(entries))
    blade = hidden_third_cut()
    bitting = read_bitting(rank(blade, (PIER,), known), blade, known)
    assert bitting is not None
    assert code_of(blade, known)[0] == CODE
    assert code_of(blade, known)[1] > 0.95
    assert known.number_of(tuple(CODE.split("-"))) == "A17"


def listed(*entries: str) -> Known:
    return Known(listed=tuple(ListedCode(tuple(text), f"N{n}") for n, text in enumerate(entries, 1)))


def test_a_code_list_that_fits_nowhere_doesn_t_rule_out_the_blade_and_the_nearest_is_told() -> None:
    blade = measured(key_of(PIER, CODE))
    known = listed("65656", "31521")
    ranking = rank(blade, (PIER,), known)
    bitting = read_bitting(ranking, blade, known)
    assert ranking.none_of_these < 0.1
    assert bitting is not None
    assert (bitting.code, bitting.code_number) == (CODE, None)
    (said,) = clashes(known, ranking, blade)
    assert "No code of the list fits" in said
    assert "nearest, 3-1-5-2-1 (N2), differs at 2 of 5 cuts, most at cut 5: it leaves 7.75 mm" in said


def test_a_code_list_says_nothing_where_one_of_its_codes_fits() -> None:
    blade = measured(key_of(PIER, CODE))
    known = listed("65656", CODE.replace("-", ""))
    assert clashes(known, rank(blade, (PIER,), known), blade) == ()


def test_a_told_cut_clashes_with_nothing_where_the_blade_s_cuts_cannot_be_placed() -> None:
    blade = replace(measured(key_of(PIER, CODE)), stop="tip", length=None)
    known = Known(cuts=((1, "5"),))
    unplaced = replace(PIER, length_mm=None)
    assert clashes(known, rank(blade, (unplaced,), known), blade) == ()


def test_a_code_list_of_another_number_of_cuts_is_told() -> None:
    blade = measured(key_of(PIER, CODE))
    known = listed("314251")
    ranking = rank(blade, (PIER,), known)
    assert ranking.none_of_these < 0.1
    (said,) = clashes(known, ranking, blade)
    assert "none has 5 cuts" in said


def test_one_code_off_in_a_short_list_is_told_although_the_list_is_believed() -> None:
    blade = measured(key_of(PIER, CODE))
    known = listed("31415", "52413")
    (said,) = clashes(known, rank(blade, (PIER,), known), blade)
    assert "nearest, 3-1-4-1-5 (N1), differs at 1 of 5 cuts, most at cut 4" in said


def test_a_code_list_is_read_with_and_without_numbers(tmp_path: Path) -> None:
    path = tmp_path / "codes.txt"
    path.write_text("# ours\n3-1-4-2-5 A17\n31425\n\n")
    assert load_code_list(path) == (ListedCode(tuple("31425"), "A17"), ListedCode(tuple("31425"), None))
    for text in ("3-1-4 A 17\n", "", "3_1\n"):
        path.write_text(text)
        with pytest.raises(KeyidError, match="bitting"):
            load_code_list(path)


def test_the_photo_speaks_for_against_or_neither() -> None:
    blade = measured(key_of(PIER, CODE))
    right = double_check(rank(blade, LIBRARY, asked=PIER), LIBRARY, "pier-5")
    assert (right.speaks, right.alike) == ("for", ("pier-5b",))
    assert profile_of_blank(LIBRARY, "mole-brass") is BLANKED
    wrong = double_check(rank(blade, LIBRARY, asked=BLANKED), LIBRARY, "mole-brass")
    assert wrong.speaks == "against"
    assert any("cut" in text and "mm off" in text for text in wrong.speaks_against)
    assert "speaks against mole-brass" in check_words(wrong)
    uncut = replace(measured(key_of(PIER, CODE, cuts=())), edges=None)
    open_choice = double_check(rank(uncut, (PIER, BLANKED, QUAY), asked=BLANKED), (PIER, BLANKED, QUAY), "mole-brass")
    assert open_choice.speaks in ("for", "nothing")
    assert profile_of_blank(LIBRARY, "unheard-of") is None


def test_told_cuts_that_clash_are_told() -> None:
    blade = measured(key_of(PIER, CODE))

    def said(*cuts: tuple[int, str]) -> tuple[str, ...]:
        return clashes(Known(cuts), rank(blade, (PIER,), Known(cuts)), blade)

    assert said((1, "3"), (3, "4")) == ()
    (seen,) = said((1, "3"), (2, "3"))  # it is a 1
    assert seen.startswith("You told cut 2 as 3 (6.75 mm left); the photo shows 7.75")
    assert "code 1: one of the two is wrong" in seen
    steep = said((2, "1"), (3, "6"))
    assert steep[0] == (
        "The cuts that you told clash: 2=1, 3=6 are 5 depths apart; neighbours on Pier differ by 4 at most."
    )
    assert steep[1].startswith("You told cut 3 as 6")
    turned = replace(PIER, order="tip-to-bow")
    ranking = rank(blade, (turned,), Known(((1, "5"),)))
    assert clashes(Known(((1, "5"),)), ranking, blade) == ()


@pytest.mark.parametrize(
    "options",
    [
        ("--blank", "unheard-of"),
        ("--cut", "1:3"),
        ("--cut", "1=!"),
        ("--cut", "40=1"),
        ("--cut", "1=3", "--cut", "1=4"),
        ("--codes", "missing"),
    ],
)
def test_wrong_use_is_told_before_anything_is_measured(tmp_path: Path, options: tuple[str, ...]) -> None:
    photo = tmp_path / "key.jpg"
    photo.write_bytes(b"not a photo: it would be refused with status 1")
    samples = Path(__file__).parents[2] / "reference_profiles" / "samples"
    result = CliRunner().invoke(main, ["read", str(photo), "--profiles", str(samples), *options])
    assert result.exit_code == 2, result.output
    assert "Error" in result.stderr
