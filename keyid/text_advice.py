"""The advice on a photo, in words."""

from __future__ import annotations

import textwrap

from keyid.photo_advice import RETAKE_MM, WORTH_MM, Remark, expected_mm

WIDTH = 79
INDENT = 9


def advice_text(remarks: tuple[Remark, ...]) -> str:
    """One line that says whether to take the photo again, then each remark with what it may cost in mm."""
    total = expected_mm(remarks)
    if total < WORTH_MM:
        return "A good photo: nothing in it limits the reading.\n"
    verdict = "Take the photo again" if total >= RETAKE_MM else "This photo will do"
    lines = [f"{verdict}: what follows may make cuts wrong by {total:.2f} mm."]
    for remark in remarks:
        cost = f"{remark.cost_mm:.2f} mm".ljust(INDENT)
        lines.append(
            textwrap.fill(f"{remark.what} {remark.advice}", WIDTH, initial_indent=cost, subsequent_indent=" " * INDENT)
        )
    return "\n".join(lines) + "\n"
