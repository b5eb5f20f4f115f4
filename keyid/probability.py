"""Probabilities in words, the same in every output."""

from __future__ import annotations

SURE_WORDS = ((0.98, "almost certain"), (0.85, "likely"), (0.5, "unsure"), (0.0, "a guess"))


def percent(probability: float) -> str:
    """Return a probability for people; never 0 % or 100 %, which no reading can state."""
    if probability >= 0.995:
        return "over 99 %"
    return "under 1 %" if probability <= 0.005 else f"{probability:.0%}".replace("%", " %")


def sure_word(probability: float) -> str:
    """Return the word for a probability: that of its whole percent, so that what looks the same is called the same."""
    return next(word for least, word in SURE_WORDS if round(probability, 2) >= least)


def sure_words(probability: float) -> str:
    """Return a probability with the word for it."""
    return f"{percent(probability)}, {sure_word(probability)}"
