"""Options of ``keyid read`` that tell what is known beside the photo, or ask for more than the plain reading."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from keyid.commands.parts import EXISTING_FILE

if TYPE_CHECKING:
    from keyid.identify import Question
    from keyid.rankings.known import Known

Command = TypeVar("Command", bound=Callable[..., object])


class KnownCut(click.ParamType[tuple[int, str]]):
    """A cut's number, as the bitting is read, and its code: ``1=3``."""

    name = "CUT=CODE"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, str]:
        """Turn what was typed to number and code."""
        if isinstance(value, tuple):
            return value
        number, _, code = (part.strip() for part in str(value).partition("="))
        if not (number.isdecimal() and int(number) > 0 and code.isalnum() and code.isascii()):
            self.fail(f"{value!r} is not a cut and its code, as in 1=3.", param, ctx)
        return int(number), code


@dataclass(frozen=True)
class Asked:
    """The options as they were given."""

    blank: str | None = None
    cuts: tuple[tuple[int, str], ...] = ()
    code_list: Path | None = None
    without_scale: bool = False
    working_keys: int | None = None

    def question(self, folder: Path | None, skip_bad: bool) -> Question:
        """Put together what was asked; a blank that is in no file, or cuts that no blade has, are usage errors."""
        from keyid.identify import Question
        from keyid.rankings.known import Known, load_code_list

        _check_once(self.cuts)
        known = Known(self.cuts, None if self.code_list is None else load_code_list(self.code_list))
        if self.blank is not None or self.cuts:
            _check(folder, skip_bad, self.blank, known)
        return Question(known, self.blank, self.without_scale, self.working_keys)


def asking(command: Command) -> Command:
    """Add the options; the command gets them as ``asked``."""

    @functools.wraps(command)
    def gathered(
        *,
        blank: str | None,
        cuts: tuple[tuple[int, str], ...],
        code_list: Path | None,
        without_scale: bool,
        working_keys: int | None,
        **others: Any,  # noqa: ANN401
    ) -> object:
        return command(asked=Asked(blank, cuts, code_list, without_scale, working_keys), **others)

    with_blank = click.option(
        "--blank", metavar="ID", help="Double-check this blank: does the photo speak for or against it?"
    )
    with_cut = click.option("--cut", "cuts", type=KnownCut(), multiple=True, help="A cut that is known, as in 1=3.")
    codes_help = "Code list: a bitting a line, then its number."
    with_codes = click.option("--codes", "code_list", type=EXISTING_FILE, help=codes_help)
    scale_help = "Nothing of known size in the photo: take the --blank's width for it, or go by proportions alone."
    with_flag = click.option("--without-scale", is_flag=True, help=scale_help)
    keys_help = "How many working keys are left: tells what adding one takes."
    with_keys = click.option("--working-keys", type=click.IntRange(0, 100), metavar="N", help=keys_help)
    return cast(Command, with_blank(with_cut(with_codes(with_flag(with_keys(gathered))))))


def _check_once(cuts: tuple[tuple[int, str], ...]) -> None:
    """Refuse a cut that was told as two different ones."""
    told: dict[int, str] = {}
    for number, code in cuts:
        if told.setdefault(number, code) != code:
            message = f"cut {number} was told as {told[number]} and as {code}: tell the right one."
            raise click.BadParameter(message, param_hint="--cut")


def _check(folder: Path | None, skip_bad: bool, blank: str | None, known: Known) -> None:
    """Refuse what no blade of the library has, before anything is measured."""
    from keyid.profiles.library import load_library
    from keyid.rankings.known import fits_none
    from keyid.readings.double_check import profile_of_blank

    profiles = load_library(folder, skip_bad).profiles
    if blank is not None and profile_of_blank(profiles, blank) is None:
        raise click.BadParameter(f"the library has no blank '{blank}'.", param_hint="--blank")
    if fits_none(known, profiles):
        raise click.BadParameter("no blade of the library has these cuts.", param_hint="--cut")
