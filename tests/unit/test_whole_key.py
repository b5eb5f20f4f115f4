"""What else than the blade has to match, in sentences; readings made up for it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from keyid.profiles.profile import Blank
from keyid.readings.reading import BlankFit, CandidateFacts
from keyid.readings.whole_key import whole_key
from tests.unit.example_reading import blank, candidate

ADDING = ((0, "A new lock."), (1, "One working key at the programmer."), (2, "Nothing else."))


def with_blanks(*blanks: Blank, adding: tuple[tuple[int, str], ...] = (), name: str = "pier") -> CandidateFacts:
    made = candidate(name)
    fits = tuple(BlankFit(one, (), ()) for one in blanks)
    return replace(made, blanks=fits, profile=replace(made.profile, adding_keys=adding))


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        (0, "With no working key left: A new lock."),
        (1, "With 1 working key left: One working key at the programmer."),
        (5, "With 5 working keys left: Nothing else."),
    ],
)
def test_what_adding_a_key_takes_goes_by_the_keys_left(keys: int, said: str) -> None:
    assert whole_key([with_blanks(blank("a"), adding=ADDING)], keys) == (said,)
    assert whole_key([with_blanks(blank("a"), adding=ADDING)], None) == ()


def test_a_file_that_tells_nothing_of_it_is_told() -> None:
    assert whole_key([with_blanks(blank("a"), adding=((2, "Two keys."),))], 1) == (
        "What adding a key takes with 1 working key left is not in the file.",
    )
    both = [with_blanks(blank("a"), adding=ADDING), with_blanks(blank("b"), name="quay")]
    first, second, *_ = whole_key(both, 0)
    assert first == "With no working key left (Pier): A new lock."
    assert second == "What adding a key takes with no working key left is not in the file (Quay)."


def test_electronics_and_the_blank_to_try_the_cuts_on() -> None:
    blanks = (blank("a"), blank("b", "plastic", "encrypted", "a"), blank("c", "plastic", "rolling-code"))
    said = whole_key([with_blanks(*blanks)], None)
    assert said == (
        "A photo can't show the electronics in the head: none, an encrypted chip or a rolling-code remote. Find out.",
        "Try the cuts on the plain metal blank a first.",
        "3 blanks share this blade; heads and colours vary.",
    )
    only = whole_key([with_blanks(blank("b", "plastic", "encrypted", "other"))], None)
    assert only == (
        "Their heads hold an encrypted chip, which has to match as well.",
        "Try the cuts on the plain metal blank other (not in this file) first.",
    )
    uncut = whole_key([with_blanks(*blanks)], None, is_cut=False)
    assert not [sentence for sentence in uncut if "Try the cuts" in sentence]
    assert whole_key([], 1) == ()
