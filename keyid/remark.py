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


def verdict_words(remarks: tuple[Remark, ...]) -> str:
    """Whether to take the photo again, and what everything together may cost; empty for a good photo."""
    total = expected_mm(remarks)
    if total < WORTH_MM:
        return ""
    verdict = "Take the photo again" if total >= RETAKE_MM else "This photo will do"
    return f"{verdict}: what follows may make cuts wrong by {total:.2f} mm."
