"""What the lines along the blade's face say for or against a profile's grooves, with the numbers, in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from keyid.blades.face import FaceLine, FaceLines
from keyid.length import COVERAGE
from keyid.profiles.profile import Profile
from keyid.rankings.groove_evidence import MADE_SD_MM, Grooves, expected_lines, groove_evidence, likeliest_face

TELLS_NATS = math.log(3)  # of likelihood against grooves at unknown places: less isn't worth a word
SHOWN_LINES = 6  # the clearest; three grooves have twelve


def groove_reasons(profile: Profile, faces: Sequence[FaceLines]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Say what the lines of each face speak for and against; nothing where they tell next to nothing."""
    speaks_for, against = [], []
    for face in faces:
        seen = likeliest_face(profile, face)
        if seen is None or not face.lines:
            continue
        evidence = groove_evidence((face,), (profile,))
        tells = evidence.of(profile) - evidence.unknown
        if tells >= TELLS_NATS:
            speaks_for.append(_compared(face, *seen))
        elif tells <= -TELLS_NATS:
            against.append(_compared(face, *seen) + _furthest(face, seen[1]))
    return tuple(speaks_for), tuple(against)


def _compared(face: FaceLines, side: str, grooves: Grooves) -> str:
    """The lines that are seen, and where the profile has its grooves."""
    edge = "uncut edge" if face.edges == 1 else "lower edge, tip right"
    shown = sorted(sorted(face.lines, key=lambda line: -abs(line.z))[:SHOWN_LINES], key=lambda line: line.height_mm)
    heights = ", ".join(f"{line.height_mm:.2f}" for line in shown)
    limit = COVERAGE * max(math.hypot(line.u_mm, face.datum_u_mm) for line in shown)
    return f"groove lines {heights} ±{limit:.2f} mm from the {edge}; this blade's {side} face {_written(grooves)}"


def _written(grooves: Grooves) -> str:
    return " and ".join(f"{near:.2f} to {far:.2f}" for near, far in grooves)


def _furthest(face: FaceLines, grooves: Grooves) -> str:
    """How far the rim that fits worst is from any line."""
    rims, _ = expected_lines(grooves, face.width_mm, face.parallax)
    off_u = {rim: min(_off_u(face, line, rim) for line in face.lines) for rim in rims}
    if not off_u:
        return ""
    worst = max(off_u, key=lambda rim: off_u[rim])
    return f": no line within {int(off_u[worst])} u of {worst:.2f}"


def _off_u(face: FaceLines, line: FaceLine, rim_mm: float) -> float:
    return abs(line.height_mm - rim_mm) / math.hypot(line.u_mm, face.datum_u_mm, MADE_SD_MM)
