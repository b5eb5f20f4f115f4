"""A folder of profiles, checked: every fault of every file, and every number that is possible but mostly a slip."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from keyid.errors import ProfileError
from keyid.profiles.library import ids_taken, read_files
from keyid.profiles.profile import Profile
from keyid.profiles.profile_rules import doubts


@dataclass(frozen=True)
class CheckedFile:
    """What was found in one profile file.

    Attributes
    ----------
    file : str
        Its name within the folder.
    id : str or None
        The profile's id; None where the file can't be read that far.
    faults : tuple of ProfileError
        Each makes the file useless.
    doubts : tuple of str
        Each is a number, or a blade, that is mostly a slip.
    """

    file: str
    id: str | None
    faults: tuple[ProfileError, ...]
    doubts: tuple[str, ...]


def check_library(folder: Path) -> tuple[CheckedFile, ...]:
    """Check every profile file of a folder and its subfolders.

    Raises
    ------
    ProfileError
        Only for a folder that can't be listed.
    """
    owners: dict[str, str] = {}
    blades: dict[object, str] = {}
    checked = []
    for file, read in read_files(folder):
        if isinstance(read, Profile):
            faults = tuple(ids_taken(read, file, owners))
            found = (*doubts(read), *_doubled(read, blades))
            checked.append(CheckedFile(file, read.id, faults, found))
        else:
            checked.append(CheckedFile(file, None, read, ()))
    return tuple(checked)


def _doubled(profile: Profile, blades: dict[object, str]) -> Iterator[str]:
    """Note a blade; say when another profile has the very same one, so that they belong in one file."""
    blade = (profile.outline, profile.codes, profile.grooves_left_mm, profile.grooves_right_mm)
    other = blades.setdefault(blade, profile.id)
    if other != profile.id:
        yield f"blade and cuts are the same as those of {other}: one file can list the blanks of both"
