"""Readings made up for tests of the skin: plain numbers, no measuring."""

from __future__ import annotations

from dataclasses import replace

from keyid.length import Length
from keyid.profiles.profile import Blank, Profile
from keyid.readings.cautions import CAUTIONS
from keyid.readings.reading import (
    BittingCut,
    BittingFacts,
    BladeFacts,
    BlankFit,
    CandidateFacts,
    Confirmation,
    NextMeasurement,
    PhotoFacts,
    Reading,
    ScaleFacts,
    SeenCut,
)


def blank(name: str, head: str = "metal", electronics: str = "none", test_blank: str | None = None) -> Blank:
    return Blank(name, head, None, electronics, test_blank, "")  # type: ignore[arg-type]


def profile(name: str = "pier", cuts: int = 4) -> Profile:
    return Profile(
        id=name,
        name=name.capitalize(),
        unit="mm",
        status="invented",
        source="made up for the tests",
        edges=1,
        stop="shoulder",
        length_mm=28.4,
        width_mm=8.5,
        thickness_mm=2.0,
        grooves_left_mm=(),
        grooves_right_mm=(),
        positions_mm=tuple(5.0 + 3.8 * n for n in range(cuts)),
        codes=("1", "2", "3"),
        roots_mm=(8.1, 7.6, 7.1),
        order="bow-to-tip",
        flat_mm=None,
        angle_deg=None,
        macs=None,
        as_made_sd_mm=None,
        blanks=(blank(f"{name}-a", test_blank=f"{name}-a"), blank(f"{name}-b", "plastic", "encrypted", f"{name}-a")),
    )


def candidate(name: str = "pier", probability: float = 0.97, group: str = "A", cuts: int = 4) -> CandidateFacts:
    made = profile(name, cuts)
    blanks = (
        BlankFit(made.blanks[0], (), ("the head looks like plastic",)),
        BlankFit(made.blanks[1], ("the head looks like plastic",), ()),
    )
    return CandidateFacts(made, probability, group, blanks, ("roots fit",), ())


def bitting(cuts: int = 4, probability: float = 0.91) -> BittingFacts:
    decoded = tuple(
        BittingCut(Length(5.0 + 3.8 * n, 0.03), Length(8.082, 0.021), "1", 0.96, (("2", 0.04),)) for n in range(cuts)
    )
    code = "-".join(["1"] * cuts)
    also = (("2" + code[1:], 0.04),)
    return BittingFacts(
        "pier", "bow-to-tip", code, probability, decoded, also, wear=Length(0.01, 0.02), shift=Length(0.0, 0.03)
    )


def reading(cuts: int = 4, **changes: object) -> Reading:
    """Return a reading of a key with so many cuts; any field can be changed."""
    made = Reading(
        photo=PhotoFacts("key.jpg", "0" * 64, 4032, 3024),
        scale=ScaleFacts("id1-card", 21.234, 4.2, "exif"),
        blade=BladeFacts("shoulder", 1, Length(28.41, 0.03), Length(8.512, 0.0201), ((100.0, 200.0), (700.0, 220.0))),
        cuts=tuple(
            SeenCut("a", Length(5.0 + 3.8 * n, 0.03), Length(8.08, 0.02), (200.0 + 80 * n, 210.0)) for n in range(cuts)
        ),
        candidates=(candidate(cuts=cuts), candidate("quay", 0.02, "B", cuts)),
        others=0.004,
        none_of_these=0.006,
        next_measurement=None,
        bitting=bitting(cuts),
        cautions=CAUTIONS,
        confirm=(Confirmation("metal left at cut 1", Length(8.1, 0.02), 0.1),),
    )
    return replace(made, **changes)  # type: ignore[arg-type]


NEXT = NextMeasurement("Measure the blade's width with a caliper.", "8.50 mm means Pier, 8.20 mm Quay.")
