"""From what was told and measured of a blade to a new profile: each value from its best source.

A value by hand goes before one from a photo, one measured on keys before that of another profile.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from keyid.blades.blade import Blade
from keyid.errors import ProfileError
from keyid.length import MM_PER_INCH, Length
from keyid.new_profiles.profile_fit import Fitted, KnownKey, fit_depths, fit_positions
from keyid.new_profiles.profile_new import NewProfile, id_of
from keyid.new_profiles.profile_sources import BlankShape, MeasuredBlade, agreed, blank_shape, known_keys
from keyid.profiles.profile import Profile

CALIPER_U_MM = 0.03  # of a careful hand measurement on a blade, the blade's own scatter included
DISAGREE_P = 1e-4  # keys that chance makes disagree as much less often than this are not of one system, or misread
PLACES = frozenset({"first", "cuts", "spacing"})
DEPTHS = frozenset({"codes", "highest", "step"})
CUTTING = PLACES | DEPTHS | {"order", "edges", "stop", "flat", "angle", "macs"}

Told = Mapping[str, Any]


@dataclass(frozen=True)
class Sources:
    """Where values can come from besides the person.

    Attributes
    ----------
    blank : Blade or None
        An uncut blank, measured.
    photo_keys : tuple of (Blade, codes)
        Keys with known bittings, measured on photos; codes as they are read.
    hand_keys : tuple of (roots in the file's unit, codes)
        Keys whose roots were measured by caliper, both as they are read.
    cuts_of : Profile or None
        A profile whose cutting system is that of the new one.
    """

    blank: Blade | None = None
    photo_keys: tuple[tuple[Blade, tuple[str, ...]], ...] = ()
    hand_keys: tuple[tuple[tuple[float, ...], tuple[str, ...]], ...] = ()
    cuts_of: Profile | None = None

    @property
    def blades(self) -> tuple[Blade, ...]:
        """All blades that were measured on photos."""
        return (*([] if self.blank is None else [self.blank]), *(blade for blade, _ in self.photo_keys))

    def covers(self, told: Told) -> set[str]:
        """Names of what need not be asked."""
        covered = {name for name, value in told.items() if value not in (None, ())}
        if self.blades:
            covered |= {"stop", "width", "length"}
        if self.blank is None or told.get("edges") == 2:
            covered |= {"cut_edge"}
        if self.photo_keys:
            covered |= PLACES | {"edges"}
        if self.photo_keys or self.hand_keys:
            covered |= DEPTHS
        if self.cuts_of is not None:
            covered |= CUTTING
        if "positions" in covered:
            covered |= PLACES
        if "roots" in covered:
            covered |= {"highest", "step"}
        return covered


def gather(told: Told, sources: Sources, today: datetime.date) -> NewProfile:
    """Put the new profile together.

    Parameters
    ----------
    told : mapping
        What the person told, by the names of the command's options; all that ``sources`` does not cover.
    sources : Sources
    today : date

    Raises
    ------
    ProfileError
        When what was told does not fit together.
    PhotoError
        When a key's photo does not show as many cuts as its bitting has.
    """
    if len(sources.photo_keys) == 1:
        raise ProfileError(
            "One key on a photo can't show whether its stop and edges were read right.", "Give photos of two or more."
        )
    by_hand = [name for name in ("width", "length") if told[name] is not None]
    seen = agreed(sources.blades, by_hand) if sources.blades else None
    stop = _stop(told, sources, seen)
    order = told["order"] or (sources.cuts_of.order if sources.cuts_of else "bow-to-tip")
    keys = _keys(told, sources, stop, order)
    positions = _positions(told, sources, keys)
    codes, roots = _depths(told, sources, keys)
    edges = _edges(told, sources)
    shape = _shape(told, sources, edges)
    return NewProfile(
        id=told["id_"] or id_of(told["name"]),
        name=told["name"],
        unit=told["unit"],
        source=_source(told, sources),
        date=today,
        edges=edges,
        stop=stop,
        width=_size(told, "width") or _known(seen).width,
        positions=positions,
        codes=codes,
        roots=roots,
        blank={
            "id": f"{told['id_'] or id_of(told['name'])}-{told['head']}",
            "head": told["head"],
            "electronics": told["electronics"],
        },
        options={"order": order} | _kept(told, sources),
        length=_size(told, "length") or (None if seen is None else seen.length),
        thickness=_size(told, "thickness"),
        flat_mm=_flat(told, sources),
        grooves_left_mm=_walls(told, "grooves_left") or shape.left_mm,
        grooves_right_mm=_walls(told, "grooves_right") or shape.right_mm,
        tip_mm=shape.tip_mm,
    )


def _known(seen: MeasuredBlade | None) -> MeasuredBlade:
    if seen is None:
        raise ProfileError("The blade's width is missing.", "Give it with --width, or a photo of a blank.")
    return seen


def _mm(told: Told, value: float) -> float:
    return value * (MM_PER_INCH if told["unit"] == "in" else 1.0)


def _by_hand(told: Told, value: float) -> Length:
    """A length that a person measured."""
    return Length(_mm(told, value), CALIPER_U_MM if told["u"] is None else _mm(told, told["u"]))


def _size(told: Told, name: str) -> Length | None:
    return None if told[name] is None else _by_hand(told, told[name])


def _stop(told: Told, sources: Sources, seen: MeasuredBlade | None) -> Literal["shoulder", "tip"]:
    """The stop; it must be the same wherever it is told, since all positions count from it."""
    found = {told["stop"], seen.stop if seen else None, sources.cuts_of.stop if sources.cuts_of else None} - {None}
    if len(found) != 1:
        raise ProfileError(
            "The stop is told or seen in two ways (shoulder and tip).", "Positions count from the stop: give one kind."
        )
    return "tip" if found == {"tip"} else "shoulder"


def _edges(told: Told, sources: Sources) -> int:
    if told["edges"] is not None:
        return int(told["edges"])
    seen = {blade.edges or 1 for blade, _ in sources.photo_keys}
    if len(seen) > 1:
        raise ProfileError("The keys are cut on one edge and on two.", "Tell with --edges how many carry cuts.")
    if seen:
        return seen.pop()
    return sources.cuts_of.edges if sources.cuts_of else 1


def _keys(told: Told, sources: Sources, stop: Literal["shoulder", "tip"], order: str) -> list[KnownKey]:
    """All keys with known bittings, cuts in the order of position from the stop."""
    step = 1 if (stop == "shoulder") == (order == "bow-to-tip") else -1
    bittings = [codes for _, codes in (*sources.photo_keys, *sources.hand_keys)]
    if not bittings:
        return []
    system = told["codes"] or codes_between(bittings)
    unknown = {code for codes in bittings for code in codes} - set(system)
    if unknown:
        raise ProfileError(f"Code {min(unknown)} of a key is not among --codes.", "Give all depth codes of the system.")
    keys = [_hand_key(told, roots[::step], codes[::step]) for roots, codes in sources.hand_keys]
    photo_keys = [(blade, codes[::step]) for blade, codes in sources.photo_keys]
    return keys + (known_keys(photo_keys, system, stop) if photo_keys else [])


def _hand_key(told: Told, roots: tuple[float, ...], codes: tuple[str, ...]) -> KnownKey:
    if len(roots) != len(codes):
        message = f"A key has {len(roots)} roots by caliper and {len(codes)} codes."
        raise ProfileError(message, "Give one root for each code.")
    lengths = [_by_hand(told, root) for root in roots]
    return KnownKey(codes, tuple(length.mm for length in lengths), tuple(length.u_mm for length in lengths))


def _positions(told: Told, sources: Sources, keys: Sequence[KnownKey]) -> tuple[Length, ...]:
    if told["positions"]:
        return tuple(_by_hand(told, position) for position in told["positions"])
    if told["first"] is not None and told["cuts"] is not None and (told["spacing"] is not None or told["cuts"] == 1):
        spacing = told["spacing"] or 0.0
        return tuple(_by_hand(told, told["first"] + spacing * number) for number in range(told["cuts"]))
    placed = [key for key in keys if key.positions_mm]
    if sources.photo_keys:
        fitted = fit_positions(placed, len(sources.photo_keys[0][1])) if placed else None
        return _believed(fitted, "positions", "--first, --cuts and --spacing").values
    if sources.cuts_of is None:
        raise ProfileError("Where the cuts stand is missing.", "Give --positions, or --first, --cuts and --spacing.")
    return _of_profile(sources.cuts_of.positions_mm, sources.cuts_of.positions_sd_mm)


def _depths(told: Told, sources: Sources, keys: Sequence[KnownKey]) -> tuple[tuple[str, ...], tuple[Length, ...]]:
    if told["roots"]:
        codes = told["codes"] or ()
        if len(codes) != len(told["roots"]):
            message = f"There are {len(told['roots'])} roots and {len(codes)} codes."
            raise ProfileError(message, "Give one root for each of --codes.")
        return codes, tuple(_by_hand(told, root) for root in told["roots"])
    if told["highest"] is not None and told["codes"] and (told["step"] is not None or len(told["codes"]) == 1):
        step = told["step"] or 0.0
        return told["codes"], tuple(_by_hand(told, told["highest"] - step * rank) for rank in range(len(told["codes"])))
    if keys:
        bittings = [codes for _, codes in (*sources.photo_keys, *sources.hand_keys)]
        codes, fitted = fit_depths(keys, told["codes"] or codes_between(bittings)) or ((), None)
        return codes, _believed(fitted, "depths", "--codes, --highest and --step").values
    if sources.cuts_of is None:
        raise ProfileError(
            "How deep the cuts are is missing.", "Give --codes with --roots, or with --highest and --step."
        )
    return sources.cuts_of.codes, _of_profile(sources.cuts_of.roots_mm, sources.cuts_of.roots_sd_mm)


def _believed(fitted: Fitted | None, what: str, options: str) -> Fitted:
    """What keys tell, when they tell enough and agree."""
    if fitted is None:
        raise ProfileError(
            f"These keys do not tell all {what}.", f"Add a key with a known bitting, or give {options} by caliper."
        )
    if fitted.p < DISAGREE_P:
        raise ProfileError(
            f"The keys disagree about {what}: by more than their uncertainty allows.",
            f"Check bittings and photos, or give {options} by caliper.",
        )
    return fitted


def codes_between(bittings: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return the codes of some bittings in ascending order, numbers between them filled in."""
    seen = {code for bitting in bittings for code in bitting}
    if all(code.isdecimal() for code in seen):
        numbers = sorted(int(code) for code in seen)
        return tuple(str(number) for number in range(numbers[0], numbers[-1] + 1))
    return tuple(sorted(seen))


def _of_profile(values: Sequence[float], sds: Sequence[float]) -> tuple[Length, ...]:
    """Values of another profile; 0 where it states no uncertainty."""
    return tuple(Length(value, sd) for value, sd in zip(values, sds or (0.0,) * len(values), strict=True))


def _kept(told: Told, sources: Sources) -> dict[str, Any]:
    """Angle and largest step, where they are known."""
    kept = {}
    for name, key in (("angle", "angle_deg"), ("macs", "macs")):
        value = told[name] if told[name] is not None or sources.cuts_of is None else getattr(sources.cuts_of, key)
        if value is not None:
            kept[name] = value
    return kept


def _flat(told: Told, sources: Sources) -> float | None:
    if told["flat"] is not None:
        return _mm(told, told["flat"])
    return sources.cuts_of.flat_mm if sources.cuts_of else None


def _walls(told: Told, name: str) -> tuple[tuple[float, float], ...]:
    """Grooves from their walls in a row."""
    walls = [_mm(told, wall) for wall in told[name] or ()]
    if len(walls) % 2:
        option = "--" + name.replace("_", "-")
        raise ProfileError(f"{option} has {len(walls)} walls.", "Each groove has two: near and far.")
    return tuple(zip(walls[::2], walls[1::2], strict=True))


def _shape(told: Told, sources: Sources, edges: int) -> BlankShape:
    """Grooves and tip of the blank on the photo, once it is known which of its edges is to be cut."""
    cut_edge = "up" if edges == 2 else told["cut_edge"]
    if sources.blank is None or cut_edge is None:
        return BlankShape()
    return blank_shape(sources.blank, cut_edge_up=cut_edge == "up")


def _source(told: Told, sources: Sources) -> str:
    """Say where each group of values comes from."""
    return " ".join(_origins(told, sources))


def _origins(told: Told, sources: Sources) -> Iterator[str]:
    sizes = ("width", "length", "thickness", "grooves_left", "grooves_right", "positions", "first", "spacing", "roots")
    by_hand = [name.replace("_", " ") for name in (*sizes, "highest", "step", "flat") if told[name]]
    if by_hand:
        yield f"By caliper: {', '.join(by_hand)}."
    if sources.blades:
        kinds = ["an uncut blank"] * (sources.blank is not None) + ["cut keys"] * bool(sources.photo_keys)
        yield f"On photos of {' and '.join(kinds)}: sizes that no caliper gave."
    keys = len(sources.photo_keys) + len(sources.hand_keys)
    if keys:
        yield f"Fitted to {keys} key{'s' * (keys > 1)} with known bittings: cuts that no caliper gave."
    if sources.cuts_of is not None:
        yield f"As profile {sources.cuts_of.id}: cuts that nothing else gave."
    if told["source"]:
        yield told["source"]
