"""Two keys compared, in words, from comparisons made up here."""

from __future__ import annotations

import pytest

from keyid.length import Length
from keyid.readings.cautions import CAUTIONS
from keyid.readings.comparison import ComparedCut, Comparison
from keyid.reports.comparison_text import comparison_text, same_words, try_words
from keyid.reports.text import WIDTH


def cut(same: float, more_mm: float = 0.0) -> ComparedCut:
    old, new = Length(7.6, 0.03), Length(7.6 + more_mm, 0.03)
    return ComparedCut(Length(5.0, 0.05), old, new, Length(more_mm, 0.04), same)


LIKE = Comparison(0.97, (cut(0.99), cut(0.98, -0.02)), Length(0.0, 0.05), ("Compared as keys of the blade Pier.",))
UNREAD = ComparedCut(Length(8.8, 0.2), None, Length(7.1, 0.03), None, 0.2)
UNLIKE = Comparison(0.001, (cut(0.99), cut(0.002, -0.51), UNREAD), Length(0.0, 0.05), ("A note. " * 20,))
MOVED = Comparison(0.02, (cut(0.99), cut(0.98)), Length(0.4, 0.05), ("All cuts are too far from the stop.",))
NO_CUTS = Comparison(0.0, (), None, ("The new key has no cuts on its edges: look at the faces.",))


@pytest.mark.parametrize("compared", [LIKE, UNLIKE, MOVED, NO_CUTS])
def test_it_says_first_what_to_do_and_fits_a_terminal(compared: Comparison) -> None:
    said = comparison_text(compared)
    lines = said.splitlines()
    assert lines[0].startswith("Verdict   The new key")
    assert max(map(len, lines)) <= WIDTH
    words = " ".join(said.split())
    assert words.index("Do now") < words.index("Note") < words.index("Beware")
    assert all(caution in words for caution in CAUTIONS)


def test_a_like_key_is_to_be_tried_and_any_other_kept_out_of_the_lock() -> None:
    assert try_words(LIKE).startswith("Try the new key")
    assert try_words(UNLIKE) == (
        "Keep the new key out of the lock: measure cut 2, 5.00 mm from the stop, of both keys with a caliper first."
    )
    assert "as a whole" in try_words(MOVED)
    assert all(try_words(one).startswith("Keep the new key out of the lock") for one in (UNLIKE, MOVED, NO_CUTS))


def test_cuts_stand_in_rows_with_their_limits_in_both_units() -> None:
    said = comparison_text(UNLIKE)
    assert " 2   7.60 mm  7.09 mm  -0.51 ±0.08 mm = -20 ±3 thou\n" in said
    assert " 3   not seen 7.10 mm\n" in said


def test_how_sure_it_is_stands_with_the_answer() -> None:
    assert same_words(0.97) == "The new key has the old one's bitting (97 %, likely)."
    assert same_words(0.001) == "The new key does not have the old one's bitting (over 99 %, almost certain)."
