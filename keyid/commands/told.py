"""What a person can tell ``keyid`` of a photo on the command line."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, TypeVar, cast

import click

from keyid.scales.coin import Coin, CoinError, coin_named
from keyid.scales.paper import PAPERS
from keyid.scales.told import BARS_MM, KINDS, THICKNESSES_MM, Told

Command = TypeVar("Command", bound=Callable[..., object])


class CoinType(click.ParamType[Coin]):
    """A coin, told by its diameter or its name."""

    name = "coin"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Coin:
        """The coin that the words on the command line stand for."""
        try:
            return value if isinstance(value, Coin) else coin_named(str(value))
        except CoinError as error:
            self.fail(str(error), param, ctx)


def telling(command: Command) -> Command:
    """Add the options of a command that measures a photo; it gets them as ``told``."""

    @functools.wraps(command)
    def gathered(
        *,
        coin: Coin | None,
        reference: str | None,
        bar: float | None,
        thickness: float | None,
        paper: str | None,
        **others: Any,  # noqa: ANN401
    ) -> object:
        if reference == "coin" and coin is None:
            raise click.UsageError("Tell which coin it is with --coin, by its diameter in mm or its name.")
        if reference == "paper" and paper is None:
            raise click.UsageError("Tell which sheet of paper it is with --paper.")
        sheet = PAPERS[paper] if paper else None
        told = Told(coin, KINDS[reference] if reference else None, bar, thickness, sheet)
        return command(told=told, **others)

    coin_help = "The coin beside the key: its diameter in mm, or a name ('US quarter')."
    with_coin = click.option("--coin", type=CoinType(), help=coin_help)
    kinds_help = "What to take the scale from, when several things of known size lie there."
    with_kind = click.option("--reference", type=click.Choice(list(KINDS)), help=kinds_help)
    bar_help = "What the 100 mm bar of the printed measuring sheet really measures, in mm."
    with_bar = click.option("--bar", type=click.FloatRange(*BARS_MM), metavar="MM", help=bar_help)
    thickness_help = "The blade's thickness by caliper, in mm: it narrows what the height of its face is."
    with_thickness = click.option(
        "--thickness", type=click.FloatRange(*THICKNESSES_MM), metavar="MM", help=thickness_help
    )
    paper_help = "The sheet of paper that the key lies on, all four corners in view."
    with_paper = click.option("--paper", type=click.Choice(list(PAPERS)), help=paper_help)
    return cast(Command, with_coin(with_paper(with_kind(with_bar(with_thickness(gathered))))))
