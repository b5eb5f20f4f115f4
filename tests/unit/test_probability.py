"""Probabilities in words."""

from __future__ import annotations

import pytest

from keyid.probability import percent, sure_words


@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (1.0, "over 99 %, almost certain"),
        (0.976, "98 %, almost certain"),  # what is shown as 98 % has one word
        (0.974, "97 %, likely"),
        (0.846, "85 %, likely"),
        (0.5, "50 %, unsure"),
        (0.37, "37 %, a guess"),
    ],
)
def test_what_looks_the_same_is_called_the_same(p: float, shown: str) -> None:
    assert sure_words(p) == shown


@pytest.mark.parametrize(
    ("p", "shown"), [(1.0, "over 99 %"), (0.994, "99 %"), (0.0051, "1 %"), (0.005, "under 1 %"), (0.0, "under 1 %")]
)
def test_nothing_is_ever_shown_as_certain(p: float, shown: str) -> None:
    assert percent(p) == shown
