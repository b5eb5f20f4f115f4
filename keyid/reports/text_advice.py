"""The advice on a photo, in words."""

from __future__ import annotations

import textwrap

from keyid.readings.remark import Remark, off_words, verdict_words

WIDTH = 79
INDENT = 9


def advice_text(remarks: tuple[Remark, ...]) -> str:
    """One line that says whether to take the photo again, then each remark with what it may cost in mm."""
    verdict = verdict_words(remarks)
    if not verdict:
        return "A good photo: nothing in it limits the reading.\n"
    lines = [f"{verdict} {off_words(remarks)}"]
    for remark in remarks:
        cost = f"{remark.cost_mm:.2f} mm".ljust(INDENT)
        lines.append(
            textwrap.fill(f"{remark.what} {remark.advice}", WIDTH, initial_indent=cost, subsequent_indent=" " * INDENT)
        )
    return "\n".join(lines) + "\n"
