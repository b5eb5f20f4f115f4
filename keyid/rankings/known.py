"""What is known of a key's codes beside the photo: single cuts, or a list of codes that it must be in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from keyid.errors import KeyidError
from keyid.profiles.profile import Profile

Codes = tuple[str, ...]

SHOWN_LETTERS = 40  # of a line that is no bitting: a file that is no text has endless ones


@dataclass(frozen=True)
class ListedCode:
    """A bitting of a code list in the order of reading out, and its code number where the list has one."""

    codes: Codes
    number: str | None


@dataclass(frozen=True)
class Known:
    """What is known: ``cuts`` are (number as the bitting is read, code); ``listed`` is a code list, None without."""

    cuts: tuple[tuple[int, str], ...] = ()
    listed: tuple[ListedCode, ...] | None = None

    def allowed(self, profile: Profile) -> NDArray[np.bool_] | None:
        """Codes that each position can have, shape (cuts, codes); None where the blade can't have what is known."""
        count = len(profile.positions_mm)
        mask = np.ones((count, len(profile.codes)), dtype=bool)
        for number, code in self.cuts:
            if number > count or code not in profile.codes:
                return None
            at = number - 1 if profile.stop_first else count - number
            mask[at] &= np.array(profile.codes) == code
        return mask if mask.any(axis=1).all() else None

    def bittings(self, profile: Profile) -> NDArray[np.int_] | None:
        """Bittings of the list that the blade can have, as ranks of codes from the stop, (n, cuts); None for any."""
        if self.listed is None:
            return None
        at = {code: n for n, code in enumerate(profile.codes)}
        count, turn = len(profile.positions_mm), 1 if profile.stop_first else -1
        fit = {e.codes for e in self.listed if len(e.codes) == count and all(code in at for code in e.codes)}
        rows = [[at[code] for code in codes[::turn]] for codes in sorted(fit)]
        return np.array(rows, dtype=int).reshape(-1, count)

    def number_of(self, codes: Codes) -> str | None:
        """Code number of a bitting in the order of reading out; None where the list has none."""
        return next((e.number for e in self.listed or () if e.codes == codes), None)


NOTHING_KNOWN = Known()


def fits_none(known: Known, profiles: tuple[Profile, ...]) -> bool:
    """Tell whether no blade can have the cuts that are known."""
    return all(known.allowed(profile) is None for profile in profiles)


def load_code_list(path: Path) -> tuple[ListedCode, ...]:
    """Load a code list from a file, as `parse_code_list` reads it; raises KeyidError."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise _bad_list(f"{path.name} can't be read as text.") from error
    return parse_code_list(text, path.name)


def parse_code_list(text: str, name: str) -> tuple[ListedCode, ...]:
    """Read a code list: one bitting a line, such as ``3-5-2-1-4`` or ``35214``, optionally with a code number after it.

    Empty lines and what follows a ``#`` are left out.  ``name`` is what the list is called where it is wrong.

    Raises
    ------
    KeyidError
        When a line holds anything else, or there is none.
    """
    lines = text.splitlines()
    found = [_entry(name, n, line) for n, line in enumerate(lines, 1) if line.partition("#")[0].strip()]
    if not found:
        raise _bad_list(f"{name} holds no bitting.")
    return tuple(found)


def _entry(name: str, line_number: int, line: str) -> ListedCode:
    parts = line.partition("#")[0].replace(",", " ").replace(";", " ").split()
    text = parts[0]
    codes = tuple(text.split("-")) if "-" in text else tuple(text)
    if len(parts) > 2 or not all(code.isalnum() and code.isascii() for code in codes):
        raise _bad_list(
            f"{name}, line {line_number}: '{line.strip()[:SHOWN_LETTERS]}' is not a bitting with a code number."
        )
    return ListedCode(codes, parts[1] if len(parts) == 2 else None)


def _bad_list(message: str) -> KeyidError:
    return KeyidError("bad-codes", message, "Write one bitting a line, as in '3-5-2-1-4' or '3-5-2-1-4 A1234'.")
