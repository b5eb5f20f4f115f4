"""Options that tell where something lies in the photo, or in one of several, in pixels."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar, cast

import click

from keyid.scales.pointed import NOTHING_POINTED, POINTED_U_PX, Point, Pointed
from keyid.scales.told import Told

Command = TypeVar("Command", bound=Callable[..., object])

WITHIN_PX = (0.2, 100.0)  # nobody points finer, and what is coarser tells nothing
UNTOLD = 0  # number of the photo where none was told


@dataclass(frozen=True)
class Place:
    """A point of an upright photo, and the photo's number as the photos were given, from 1, or UNTOLD."""

    photo: int
    at: Point


class PlaceType(click.ParamType[Place]):
    """A point of the upright photo, ``X,Y`` in pixels; of several photos the second's is ``2:X,Y``."""

    name = "X,Y"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Place:
        """Turn what was typed to a photo's number, x and y."""
        if isinstance(value, Place):
            return value
        number, colon, place = str(value).rpartition(":")
        try:
            x, y = (float(part) for part in place.split(","))
            photo = int(number) if colon else UNTOLD
        except ValueError:
            photo = -1
        if photo < 0 or (colon and photo == UNTOLD):
            told = "is not a point in pixels, as in 1204,877. In the second photo: 2:1204,877."
            self.fail(f"{value!r} {told}", param, ctx)
        return Place(photo, (x, y))


class PointedIn(dict[int, Pointed]):
    """What was pointed at, by the number of the photo."""

    def in_turn(self, photos: int) -> tuple[Pointed, ...]:
        """What was pointed at in each of so many photos; points of none of them, or of an untold one, are errors."""
        if photos == 1:
            for number in self:
                if number > 1:
                    raise click.UsageError(f"There is no photo {number} to point at: one was given.")
            if len(self) > 1:
                raise click.UsageError("Points of one photo need no number.")
            return tuple(self.values()) or (NOTHING_POINTED,)
        if UNTOLD in self:
            raise click.UsageError("Tell in which photo it is, as in --stop 2:1204,877 for the second.")
        if max(self, default=1) > photos:
            raise click.UsageError(f"There is no photo {max(self)} to point at: {photos} were given.")
        return tuple(self.get(number, NOTHING_POINTED) for number in range(1, photos + 1))


def pointing(command: Command) -> Command:
    """Add the options to a command; it gets what was pointed at as ``pointed_in``."""

    @functools.wraps(command)
    def gathered(
        *,
        told: Told,
        corners: tuple[tuple[Place, Place, Place, Place], ...],
        stop: tuple[Place, ...],
        tip: tuple[Place, ...],
        key: tuple[Place, ...],
        within: float,
        **others: Any,  # noqa: ANN401
    ) -> object:
        if corners and told.reference == "sheet":
            raise click.UsageError("--corners is for a card, ruler or coin: the sheet's markers are found or not.")
        of_corners = _by_photo("--corners", [(_one_photo(four), tuple(each.at for each in four)) for four in corners])
        points = {
            name: _by_photo(f"--{name}", [(place.photo, place.at) for place in places])
            for name, places in (("stop", stop), ("tip", tip), ("key", key))
        }
        pointed_in = PointedIn()
        for number in sorted({*of_corners, *(number for one in points.values() for number in one)}):
            stop_px, tip_px, key_px = (points[name].get(number) for name in ("stop", "tip", "key"))
            pointed_in[number] = Pointed(of_corners.get(number), stop_px, tip_px, key_px, within)
        return command(told=told, pointed_in=pointed_in, **others)

    place = PlaceType()
    corners_help = "Where the reference's four sides meet (of a coin: four points of its rim), in pixels: X,Y each."
    stop_help = "The shoulder at the edge, or the tip if that is the stop. Of several photos, 2:X,Y is in the second."
    within_help = "Standard uncertainty of what was pointed at, in pixels."
    options = (
        click.option("--corners", type=place, nargs=4, multiple=True, help=corners_help),
        click.option("--stop", type=place, multiple=True, help=stop_help),
        click.option("--tip", type=place, multiple=True, help="The blade's foremost metal."),
        click.option("--key", type=place, multiple=True, help="Any point on the key that is meant."),
        click.option(
            "--within",
            type=click.FloatRange(*WITHIN_PX),
            metavar="PIXELS",
            default=POINTED_U_PX,
            show_default=True,
            help=within_help,
        ),
    )
    for option in reversed(options):
        gathered = option(gathered)
    return cast(Command, gathered)


def _one_photo(four: tuple[Place, ...]) -> int:
    """The photo that four corners lie in; the number need not be told with each."""
    numbers = {place.photo for place in four} - {UNTOLD}
    if len(numbers) > 1:
        raise click.UsageError("The four --corners lie in one photo.")
    return next(iter(numbers), UNTOLD)


def _by_photo(option: str, placed: list[tuple[int, Any]]) -> Mapping[int, Any]:
    """What was pointed at with one option, once in each photo."""
    found = dict(placed)
    if len(found) < len(placed):
        raise click.UsageError(f"{option} was told twice for one photo.")
    return found
