"""Stages of a reading, each kept until something that it rests on changes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, TypeVarTuple

from keyid.identify import Stage
from keyid.rankings.known import Known
from keyid.scales.pointed import Pointed
from keyid.scales.told import Told

Made = TypeVar("Made")
Inputs = TypeVarTuple("Inputs")

KEPT = 3  # results of a stage of one photo: as found, as pointed at, and as before that
BY_VALUE = (str, int, float, tuple, Known, Told, Pointed)
"""Kinds of small inputs, compared by value; records of stages hold arrays and are compared by identity."""


class KeptStages:
    """A `keyid.identify.Runner` that doesn't do again what was done with the same inputs.

    ``begun`` and ``ended`` are told each stage, the latter with its result; either may raise to end the reading.
    """

    def __init__(self, begun: Callable[[Stage], None], ended: Callable[[Stage, object], None], photos: int = 1) -> None:
        self._begun, self._ended, self._most = begun, ended, KEPT * photos
        self._kept: dict[Stage, list[tuple[tuple[Any, ...], Any]]] = {}

    def __call__(self, stage: Stage, step: Callable[[*Inputs], Made], *inputs: *Inputs) -> Made:
        """Return what the stage makes of its inputs."""
        self._begun(stage)
        kept = self._kept.setdefault(stage, [])
        at = next((n for n, one in enumerate(kept) if _same(one[0], inputs)), None)
        found = (inputs, step(*inputs)) if at is None else kept.pop(at)
        kept.insert(0, found)
        del kept[self._most :]
        self._ended(stage, found[1])
        made: Made = found[1]
        return made


def _same(one: tuple[Any, ...], other: tuple[Any, ...]) -> bool:
    return len(one) == len(other) and all(map(_alike, one, other))


def _alike(one: object, other: object) -> bool:
    """Tell whether two inputs are the same."""
    return one is other or (type(one) is type(other) and isinstance(one, BY_VALUE) and one == other)
