"""Options that tell where something lies in the photo, in pixels."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar, cast

import click

from keyid.pointed import POINTED_U_PX, Point, Pointed
from keyid.told import Told

Command = TypeVar("Command", bound=Callable[..., object])

WITHIN_PX = (0.2, 100.0)  # nobody points finer, and what is coarser tells nothing


class PointType(click.ParamType[Point]):
    """A point of the upright photo, ``X,Y`` in pixels."""

    name = "X,Y"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Point:
        """Turn what was typed to x and y."""
        if isinstance(value, tuple):
            return value
        try:
            x, y = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is not a point in pixels, as in 1204,877.", param, ctx)
        return x, y


def pointing(command: Command) -> Command:
    """Add the options to a command that gets ``told``: what was pointed at becomes part of it."""

    @functools.wraps(command)
    def gathered(
        *,
        told: Told,
        corners: tuple[Point, Point, Point, Point] | None,
        stop: Point | None,
        tip: Point | None,
        key: Point | None,
        within: float,
        **others: Any,  # noqa: ANN401
    ) -> object:
        if corners is not None and told.reference == "sheet":
            raise click.UsageError("--corners is for a card, ruler or coin: the sheet's markers are found or not.")
        pointed = Pointed(corners, stop, tip, key, within)
        return command(told=replace(told, pointed=pointed), **others)

    point = PointType()
    corners_help = "Where the reference's four sides meet (of a coin: four points of its rim), in pixels: X,Y each."
    within_help = "Standard uncertainty of what was pointed at, in pixels."
    options = (
        click.option("--corners", type=point, nargs=4, help=corners_help),
        click.option("--stop", type=point, help="The shoulder at the edge, or the tip where that is the stop."),
        click.option("--tip", type=point, help="The blade's foremost metal."),
        click.option("--key", type=point, help="Any point on the key that is meant."),
        click.option(
            "--within", type=click.FloatRange(*WITHIN_PX), default=POINTED_U_PX, show_default=True, help=within_help
        ),
    )
    for option in reversed(options):
        gathered = option(gathered)
    return cast(Command, gathered)
