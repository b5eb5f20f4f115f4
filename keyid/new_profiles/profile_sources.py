"""What photos tell of a blade that is not in the library yet: of an uncut blank, or of keys with known bittings."""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Literal

from keyid.blades.blade import Blade
from keyid.errors import PhotoError, ProfileError
from keyid.identify import measure
from keyid.length import Length
from keyid.new_profiles.grooves import read_grooves
from keyid.new_profiles.profile_draft import Draft, draft_cutting
from keyid.new_profiles.profile_fit import KnownKey
from keyid.new_profiles.profile_new import weighted_mean
from keyid.new_profiles.profile_tip import tip_outline
from keyid.profiles.profile import Profile
from keyid.rankings.groove_evidence import turned
from keyid.rankings.ranking import rank

Pairs = tuple[tuple[float, float], ...]

LEAST_OWN_U_MM = 0.01  # of one root or position by itself: surface and burrs
MOST_MISFIT_MM = 0.1  # a draft further off is wrong, as are the bittings or an edge (from the development photos)
DISAGREE_US = 4.0  # two lengths of one blade differ by more standard uncertainties once in 16,000 times
DRAFT_ROOT_SD_MM = 0.06  # how far the draft's roots may be off what is then measured
RIM_U_MM = 0.12  # a groove's rim that is less sure was not seen itself
UNCUT_MM = 0.15  # a root that near to the full width shows no flanks: it tells no position


@dataclass(frozen=True)
class MeasuredBlade:
    """What several photos of keys or blanks of one blade agree on."""

    stop: Literal["shoulder", "tip"]
    width: Length
    length: Length | None


@dataclass(frozen=True)
class BlankShape:
    """Grooves of both faces and the tip's outline, as a profile tells them; empty what the photo does not show."""

    left_mm: Pairs = ()
    right_mm: Pairs = ()
    tip_mm: Pairs = ()


def blank_shape(blank: Blade, *, cut_edge_up: bool) -> BlankShape:
    """What an uncut blank's photo shows of grooves and tip.

    ``cut_edge_up`` tells that the edge to be cut is the upper one with the tip turned right: then the left face is up.
    Grooves are left out whose rims are not surely read.
    """
    width = blank.width.mm
    grooves = tuple(
        (groove.near.mm, groove.far.mm)
        for face in blank.faces
        for groove in read_grooves(face)
        if max(groove.near.u_mm, groove.far.u_mm) < RIM_U_MM
    )
    tip = tip_outline(blank)
    if cut_edge_up:
        return BlankShape(grooves, (), tip)
    return BlankShape((), turned(grooves, width), tuple((x, width - y) for x, y in reversed(tip)))


def measure_blank(photo: Path) -> Blade:
    """Measure an uncut blank; PhotoError when its edges are cut."""
    *_, blade, _ = measure(photo)
    if blade.edges is not None:
        raise PhotoError(
            "key-unclear", "The photo does not show an uncut blank: its edge is cut.", "Give its bitting with --key."
        )
    return blade


def measure_key(photo: Path) -> Blade:
    """Measure a cut key; PhotoError when nothing is cut on its edges."""
    *_, blade, _ = measure(photo)
    if blade.edges is None:
        raise PhotoError(
            "key-unclear", "No cuts were found on the edges of this key.", "Use a key that is cut, or --blank."
        )
    return blade


def agreed(blades: Sequence[Blade], by_hand: Container[str] = ()) -> MeasuredBlade:
    """Put together what photos of one blade tell of its size.

    PhotoError when they show different stops, or differ in "width" or "length" and that is not among ``by_hand``.
    """
    stops = {blade.stop for blade in blades}
    if len(stops) != 1 or "unknown" in stops:
        seen = " and ".join(sorted(stops))
        raise PhotoError(
            "key-unclear", f"The stop is not seen alike in all photos ({seen}).", "Take photos that show it clearly."
        )
    stop: Literal["shoulder", "tip"] = "tip" if "tip" in stops else "shoulder"
    lengths = [blade.length for blade in blades if blade.length is not None]
    widths = [blade.width for blade in blades]
    for measured, what in ((widths, "width"), (lengths, "length")):
        if what not in by_hand:
            _check_agreement(measured, what)
    return MeasuredBlade(stop, weighted_mean(widths), weighted_mean(lengths) if lengths else None)


def _check_agreement(lengths: Sequence[Length], what: str) -> None:
    """Raise PhotoError when two measurements of one length differ by far more than their uncertainties."""
    for one, other in combinations(lengths, 2):
        if abs(one.mm - other.mm) > DISAGREE_US * math.hypot(one.u_mm, other.u_mm):
            raise PhotoError(
                "key-unclear",
                f"The photos disagree about the blade's {what}: {one.mm:.2f} and {other.mm:.2f} mm.",
                f"Are they of the same blade? If so, give its {what} by caliper with --{what}.",
            )


def known_keys(
    keys: Sequence[tuple[Blade, tuple[str, ...]]], codes: Sequence[str], stop: Literal["shoulder", "tip"]
) -> list[KnownKey]:
    """Measure the cuts of keys whose bittings are known.

    A first guess of the cutting system says where to look; then each cut is measured there, as for any known profile.

    Parameters
    ----------
    keys : sequence of (Blade, codes)
        Codes in the order of position from the stop.
    codes : sequence of str
        All codes of the system, shallowest first.
    stop : str

    Raises
    ------
    PhotoError
        When no even spacing and step explains what the keys show.
    """
    if len({len(bitting) for _, bitting in keys}) > 1:
        raise ProfileError("The keys have different numbers of cuts.", "Use keys with the same number of cuts.")
    rank_of = {code: rank for rank, code in enumerate(codes)}
    draft = draft_cutting([(blade, tuple(rank_of[code] for code in bitting)) for blade, bitting in keys])
    if draft.misfit_mm > MOST_MISFIT_MM:
        raise PhotoError(
            "key-unclear",
            f"The cuts do not fit their codes: they are {draft.misfit_mm:.2f} mm off on average.",
            "Check the bittings and their order, take sharper photos, or give positions and depths by caliper.",
        )
    return [
        _measured(blade, bitting, _draft_profile(draft, blade, len(bitting), codes, stop)) for blade, bitting in keys
    ]


def _draft_profile(
    draft: Draft, blade: Blade, count: int, codes: Sequence[str], stop: Literal["shoulder", "tip"]
) -> Profile:
    """The draft as a profile, to look for cuts with."""
    return Profile(
        id="draft",
        name="draft",
        unit="mm",
        status="measured",
        source="draft",
        edges=2 if blade.edges == 2 else 1,
        stop=stop,
        length_mm=None,
        width_mm=blade.width.mm,
        thickness_mm=None,
        grooves_left_mm=(),
        grooves_right_mm=(),
        positions_mm=tuple(draft.first_mm + draft.spacing_mm * number for number in range(count)),
        codes=tuple(codes),
        roots_mm=tuple(draft.highest_mm - draft.step_mm * rank for rank in range(len(codes))),
        order="bow-to-tip",
        flat_mm=None,
        angle_deg=None,
        macs=None,
        as_made_sd_mm=DRAFT_ROOT_SD_MM,
        blanks=(),
    )


def _measured(blade: Blade, bitting: tuple[str, ...], draft: Profile) -> KnownKey:
    """Measure the cuts of one key where the draft has them; those that can't be read are left out."""
    decoded = rank(blade, (draft,)).candidates[0].decoded
    full_mm = blade.width.mm - UNCUT_MM
    cuts = [
        (number, code, root, place if root.mm < full_mm else None)
        for number, (code, root, place) in enumerate(zip(bitting, decoded.roots, decoded.positions, strict=True))
        if root is not None and place is not None
    ]
    placed = [(number, place) for number, *_, place in cuts if place is not None]
    shared = blade.station_common_u_mm
    return KnownKey(
        codes=tuple(code for _, code, _, _ in cuts),
        roots_mm=tuple(root.mm for _, _, root, _ in cuts),
        roots_u_mm=tuple(_own_u(root, blade.height_common_u_mm) for _, _, root, _ in cuts),
        places=tuple(number for number, _ in placed),
        positions_mm=tuple(place.mm for _, place in placed),
        positions_u_mm=tuple(_own_u(place, math.hypot(shared, blade.stretch_u * place.mm)) for _, place in placed),
        root_common_u_mm=blade.height_common_u_mm,
        position_common_u_mm=shared,
        stretch_u=blade.stretch_u,
    )


def _own_u(length: Length, shared_u_mm: float) -> float:
    """The part of an uncertainty that is not shared with the other cuts of the key."""
    return float(max(length.u_mm**2 - shared_u_mm**2, LEAST_OWN_U_MM**2) ** 0.5)
