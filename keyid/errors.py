"""What can go wrong, worded for the person who must act.

Every error has a short code (part of the reading's contract), a message saying what is wrong and an advice saying
what to do.  Nothing else leaves the package as an exception for bad input.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

PhotoErrorCode = Literal[
    "no-reference",
    "reference-unclear",
    "no-key",
    "several-keys",
    "key-cut-off",
    "reference-cut-off",
    "key-unclear",
    "too-tilted",
    "too-blurred",
    "too-dark",
    "too-coarse",
    "unreadable-file",
]


class KeyidError(Exception):
    """Base of all errors that keyid raises on bad input.

    Attributes
    ----------
    code : str
        Fixed name of the kind of error.
    message : str
        One plain sentence: what is wrong.
    advice : str
        One plain sentence: what to do about it.
    """

    def __init__(self, code: str, message: str, advice: str) -> None:
        super().__init__(f"{message} {advice}".strip())
        self.code = code
        self.message = message
        self.advice = advice


class PhotoError(KeyidError):
    """The photo can't be measured."""

    def __init__(self, code: PhotoErrorCode, message: str, advice: str) -> None:
        super().__init__(code, message, advice)


class ProfileError(KeyidError):
    """A profile file, or a folder of them, breaks the format.

    The message names the file and the key path.
    """

    def __init__(self, message: str, advice: str) -> None:
        super().__init__("bad-profile", message, advice)


def counted(faults: Sequence[ProfileError]) -> ProfileError:
    """Return the first fault of a file, saying how many there are."""
    first = faults[0]
    told = f" (the first of {len(faults)} faults)." if len(faults) > 1 else "."
    return ProfileError(first.message.removesuffix(".") + told, first.advice)
