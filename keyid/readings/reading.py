"""The result for one key, and its fixed JSON form ``keyid-reading/1``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from keyid.errors import KeyidError
from keyid.length import Length
from keyid.profiles.profile import Blank, Profile
from keyid.readings.remark import Remark

if TYPE_CHECKING:
    from keyid.readings.double_check import CheckedBlank
    from keyid.readings.sending import Sending

FORMAT = "keyid-reading/1"
PROBABILITY_DIGITS = 4  # finer differences are below what any calibration could show
LENGTH_DIGITS = 4  # of mm: below any uncertainty that a photo allows
PIXEL_DIGITS = 2

Json = dict[str, Any]
Point = tuple[float, float]


@dataclass(frozen=True)
class PhotoFacts:
    """Which photo was read; the name without its folder."""

    file: str
    sha256: str
    width_px: int
    height_px: int

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {"file": self.file, "sha256": self.sha256, "width_px": self.width_px, "height_px": self.height_px}


@dataclass(frozen=True)
class ScaleFacts:
    """Where the scale comes from; ``px_per_mm`` at the blade.

    ``agrees`` names the other references in the photo that agree, each with its size by this scale over its own and the
    standard uncertainty of that.
    """

    reference: str
    px_per_mm: float
    tilt_deg: float
    focal: str
    agrees: tuple[tuple[str, float, float], ...] = ()

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {
            "reference": self.reference,
            "px_per_mm": round(self.px_per_mm, 3),
            "tilt_deg": round(self.tilt_deg, 2),
            "focal": self.focal,
            **({"agrees": [[kind, round(r, 5), round(u, 5)] for kind, r, u in self.agrees]} if self.agrees else {}),
        }


@dataclass(frozen=True)
class BladeFacts:
    """The blade; ``axis_px`` runs at mid-width from the bow's end (the shoulder, where that is the stop) to the tip."""

    stop: Literal["shoulder", "tip", "unknown"]
    edges: int | None
    length: Length | None
    width: Length
    axis_px: tuple[Point, Point]

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {
            "stop": self.stop,
            "edges": self.edges,
            "length": _length_or_none(self.length),
            "width": length_json(self.width),
            "axis_px": [_point(end) for end in self.axis_px],
        }


@dataclass(frozen=True)
class SeenCut:
    """A cut found without any profile, and where its root is in the upright photo."""

    edge: Literal["a", "b"]
    position: Length
    root: Length
    px: Point

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {
            "edge": self.edge,
            "position": length_json(self.position),
            "root": length_json(self.root),
            "px": _point(self.px),
        }


@dataclass(frozen=True)
class BlankFit:
    """A blank sold with a candidate's blade, and what the photo says for and against it."""

    blank: Blank
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {"id": self.blank.id, "for": list(self.speaks_for), "against": list(self.speaks_against)}


@dataclass(frozen=True)
class CandidateFacts:
    """A blade that the key can have."""

    profile: Profile
    probability: float
    group: str
    blanks: tuple[BlankFit, ...]
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]

    def to_json(self, probability: float) -> Json:
        """As in the reading's contract, with the probability rounded together with the others."""
        return {
            "profile": self.profile.id,
            "probability": probability,
            "group": self.group,
            "blanks": [fit.to_json() for fit in self.blanks],
            "for": list(self.speaks_for),
            "against": list(self.speaks_against),
        }


@dataclass(frozen=True)
class NextMeasurement:
    """The one hand measurement that tells the remaining blades apart."""

    what: str
    why: str

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {"what": self.what, "why": self.why}


@dataclass(frozen=True)
class BittingCut:
    """One cut, given the profile: measured root and position as they are now, and the code.

    ``others`` are further codes with their probabilities, likeliest first; an unreadable cut has code "?".
    """

    position: Length
    root: Length
    code: str
    probability: float
    others: tuple[tuple[str, float], ...]

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {
            "position": length_json(self.position),
            "root": length_json(self.root),
            "code": self.code,
            "probability": _probability(self.probability),
            "others": [[code, _probability(p)] for code, p in self.others],
        }


@dataclass(frozen=True)
class BittingFacts:
    """The bitting of the likeliest blade; cuts, and codes of ``code`` and ``also``, in the order of reading out."""

    profile: str
    order: Literal["bow-to-tip", "tip-to-bow"]
    code: str
    probability: float
    cuts: tuple[BittingCut, ...]
    also: tuple[tuple[str, float], ...]
    wear: Length
    shift: Length
    code_number: str | None = None

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {
            "profile": self.profile,
            "order": self.order,
            "code": self.code,
            "probability": _probability(self.probability),
            "cuts": [cut.to_json() for cut in self.cuts],
            "also": [[code, _probability(p)] for code, p in self.also],
            "wear_mm": length_json(self.wear),
            "shift_mm": length_json(self.shift),
            **({} if self.code_number is None else {"code_number": self.code_number}),
        }


@dataclass(frozen=True)
class Confirmation:
    """A length to confirm by hand: outside ``expected`` +/- ``tolerance_mm`` the reading is wrong."""

    what: str
    expected: Length
    tolerance_mm: float

    def to_json(self) -> Json:
        """As in the reading's contract."""
        return {
            "what": self.what,
            "expected": length_json(self.expected),
            "tolerance": round(self.tolerance_mm, LENGTH_DIGITS),
        }


@dataclass(frozen=True)
class PointedFact:
    """What a person pointed at.

    ``u_mm`` is the standard uncertainty of a place that was taken as pointed at; None where pointing only told where to
    look, and the place was measured.
    """

    what: str
    u_mm: float | None

    def to_json(self) -> Json:
        """As ``what`` and ``u``."""
        return {"what": self.what, "u": None if self.u_mm is None else round(self.u_mm, LENGTH_DIGITS)}


@dataclass(frozen=True)
class Reading:
    """All that is known of one key.

    Attributes
    ----------
    candidates : tuple of CandidateFacts
        Best first.  Their probabilities, ``others`` (all profiles not listed) and ``none_of_these`` add up to 1.
    checked : CheckedBlank or None
        A blank that was to be double-checked.
    further_photos : tuple of PhotoFacts
        Other photos of the same key that the reading rests on; pixels are of ``photo``.
    notes : tuple of str
        What to know before relying on it: what the photos disagree on, what the scale rests on, what clashes.
    pointed : tuple of PointedFact
        What wasn't found but pointed at by hand.
    bitting : BittingFacts or None
        None where nothing is cut on the edges, and where no profile fits.
    sending : Sending or None
        What was lost on the photo's way; None where that isn't worth a word.
    remarks : tuple of Remark
        What limits the photo, the worst first.
    """

    photo: PhotoFacts
    scale: ScaleFacts
    blade: BladeFacts
    cuts: tuple[SeenCut, ...]
    candidates: tuple[CandidateFacts, ...]
    others: float
    none_of_these: float
    next_measurement: NextMeasurement | None
    bitting: BittingFacts | None
    cautions: tuple[str, ...]
    confirm: tuple[Confirmation, ...]
    checked: CheckedBlank | None = None
    further_photos: tuple[PhotoFacts, ...] = ()
    notes: tuple[str, ...] = ()
    pointed: tuple[PointedFact, ...] = ()
    sending: Sending | None = None
    remarks: tuple[Remark, ...] = ()
    whole_key: tuple[str, ...] = ()

    def to_json(self) -> Json:
        """Return the reading in its fixed form, ready for ``json.dumps``."""
        photos = (self.photo, *self.further_photos)
        stated = [candidate.probability for candidate in self.candidates]
        *listed, others, none_of_these = rounded_shares([*stated, self.others, self.none_of_these])
        return {
            "format": FORMAT,
            "photo": [photo.to_json() for photo in photos] if self.further_photos else photos[0].to_json(),
            "scale": self.scale.to_json(),
            "blade": self.blade.to_json(),
            "cuts": [cut.to_json() for cut in self.cuts],
            "candidates": [c.to_json(p) for c, p in zip(self.candidates, listed, strict=True)],
            "others": others,
            "none_of_these": none_of_these,
            "next_measurement": None if self.next_measurement is None else self.next_measurement.to_json(),
            "bitting": None if self.bitting is None else self.bitting.to_json(),
            "cautions": [*self.cautions, *([self.sending.words] if self.sending else [])],
            "confirm": [confirmation.to_json() for confirmation in self.confirm],
            **({} if self.checked is None else {"checked": self.checked.to_json()}),
            **({"notes": list(self.notes)} if self.notes else {}),
            **({"advice": [_remark_json(remark) for remark in self.remarks]} if self.remarks else {}),
            **({"whole_key": list(self.whole_key)} if self.whole_key else {}),
            **({"pointed": [fact.to_json() for fact in self.pointed]} if self.pointed else {}),
        }


def _remark_json(remark: Remark) -> Json:
    return {"cost_mm": round(remark.cost_mm, LENGTH_DIGITS), "what": remark.what, "do": remark.advice}


def error_json(error: KeyidError) -> Json:
    """Return the fixed form of a photo that can't be measured, or of a broken profile file."""
    return {"format": FORMAT, "error": {"code": error.code, "message": error.message, "advice": error.advice}}


def length_json(length: Length) -> Json:
    """Return a length as value and u in mm; u is rounded up, so that a small one never becomes none."""
    scale = 10**LENGTH_DIGITS
    return {"value": round(length.mm, LENGTH_DIGITS), "u": math.ceil(length.u_mm * scale - 1e-6) / scale}


def rounded_shares(shares: list[float]) -> list[float]:
    """Round probabilities that add up to 1 so that the rounded ones do so too.

    The largest remainders are rounded up until the sum is right (the method of largest remainders, also named after
    Hamilton, which apportions seats).

    Parameters
    ----------
    shares : list of float
        Not negative, adding up to 1 within rounding.

    Returns
    -------
    list of float
        Each within one unit of the last digit of its share.
    """
    units = 10**PROBABILITY_DIGITS
    total = sum(shares)
    exact = [share / total * units for share in shares]
    whole = [math.floor(share) for share in exact]
    by_remainder = sorted(range(len(exact)), key=lambda i: whole[i] - exact[i])
    for i in by_remainder[: units - sum(whole)]:
        whole[i] += 1
    return [share / units for share in whole]


def _probability(probability: float) -> float:
    return round(probability, PROBABILITY_DIGITS)


def _length_or_none(length: Length | None) -> Json | None:
    return None if length is None else length_json(length)


def _point(point: Point) -> list[float]:
    return [round(float(point[0]), PIXEL_DIGITS), round(float(point[1]), PIXEL_DIGITS)]
