"""What limits a photo, with what it may cost: the worst comes first, and a photo with nothing worth a word is good."""

from __future__ import annotations

from dataclasses import dataclass

WORTH_MM = 0.02  # remarks below that are left out
RETAKE_MM = 0.08  # a tenth of a mm is a third of a usual depth step: take the photo again


@dataclass(frozen=True)
class Remark:
    """One thing that limits a photo.

    Attributes
    ----------
    cost_mm : float
        What it may cost at the root of a cut.
    what, advice : str
        What it is, and what to do.
    lost : bool
        Whether the original photo may be without it: what was lost on a photo's way is told for itself (`sending`).
    """

    cost_mm: float
    what: str
    advice: str
    lost: bool = False


def expected_mm(remarks: tuple[Remark, ...]) -> float:
    """What all remarks together may cost, in mm: they err independently of each other."""
    return float(sum(one.cost_mm**2 for one in remarks) ** 0.5)


def is_poor(remarks: tuple[Remark, ...]) -> bool:
    """Tell whether another photo is worth its time."""
    return expected_mm(remarks) >= RETAKE_MM


def verdict_words(remarks: tuple[Remark, ...]) -> str:
    """Whether to take a photo again that is all there is to go by; empty for a good photo."""
    return _by_quality(remarks, "This photo will do.", "Take the photo again.", "Get a better photo.")


def grade_words(remarks: tuple[Remark, ...]) -> str:
    """How good a photo is that has been read, and whether another would be better; empty for a good photo."""
    return _by_quality(remarks, "Good enough.", "Better retake.", "Get a better one.")


def _by_quality(remarks: tuple[Remark, ...], fair: str, poor: str, lost: str) -> str:
    """The words for a photo: none for a good one, ``lost`` for a poor one whose original may be better."""
    if expected_mm(remarks) < WORTH_MM:
        return ""
    if not is_poor(remarks):
        return fair
    return lost if remarks[0].lost else poor


def off_words(remarks: tuple[Remark, ...]) -> str:
    """What everything together may cost."""
    return f"Cuts may be {expected_mm(remarks):.2f} mm off{' in all' if len(remarks) > 1 else ''}."


def worst_words(remarks: tuple[Remark, ...], *, in_full: bool) -> str:
    """What limits the photo most, in one line; empty for a good photo.

    ``in_full`` tells what to do about it as well, where the photo is poor.
    """
    if expected_mm(remarks) < WORTH_MM:
        return ""
    worst = remarks[0]
    if in_full and is_poor(remarks):
        verdict = verdict_words(remarks).rstrip(".")
        return f"{verdict} before you cut. {off_words(remarks)} {worst.what} {worst.advice}"
    what = worst.what[0].lower() + worst.what[1:].rstrip(".")
    return f"{grade_words(remarks)} Worst: {what} ({worst.cost_mm:.2f} mm)."


def further_words(remarks: tuple[Remark, ...], most: int, *, in_full: bool) -> str:
    """What `worst_words` leaves out: what to do about each, with what it costs, the worst ``most``."""
    if expected_mm(remarks) < WORTH_MM:
        return ""
    if in_full and is_poor(remarks):
        return costs_words(remarks[1 : most + 1])
    if len(remarks) == 1:
        return f"{off_words(remarks)} {remarks[0].what} {remarks[0].advice}"
    return f"{off_words(remarks)} {costs_words(remarks[:most])}"


def costs_words(remarks: tuple[Remark, ...]) -> str:
    """Each remark with what it may cost and what to do."""
    return " ".join(f"{one.cost_mm:.2f} mm: {one.what} {one.advice}" for one in remarks)
