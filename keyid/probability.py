"""Probabilities in words, the same in every output."""

from __future__ import annotations

SURE_P, LIKELY_P = 0.98, 0.85  # from there on "almost certain", "likely"
SURE_WORDS = ((SURE_P, "almost certain"), (LIKELY_P, "likely"), (0.5, "unsure"), (0.0, "a guess"))


def percent(probability: float) -> str:
    """Return a probability for people; never 0 % or 100 %, which no reading can state."""
    if probability >= 0.995:
        return "over 99 %"
    return "under 1 %" if probability < 0.005 else f"{probability:.0%}".replace("%", " %")


def sure_words(probability: float) -> str:
    """Return a probability with the word for it."""
    word = next(word for least, word in SURE_WORDS if probability >= least)
    return f"{percent(probability)}, {word}"
