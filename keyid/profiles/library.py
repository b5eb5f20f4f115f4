"""A library of profiles: all profile files of a folder and its subfolders."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from keyid.errors import ProfileError, counted
from keyid.profiles.profile import Profile

SUFFIX = ".toml"


@dataclass(frozen=True)
class Library:
    """Profiles to choose among.

    Attributes
    ----------
    profiles : tuple of Profile
        Sorted by id; profile ids and blank ids are unique.
    skipped : tuple of ProfileError
        Files left out because they break the format, in the order of their names.
    """

    profiles: tuple[Profile, ...]
    skipped: tuple[ProfileError, ...] = ()


def load_library(folder: Path | None = None, skip_bad: bool = False) -> Library:
    """Read every profile file of a folder and its subfolders.

    Parameters
    ----------
    folder : Path, optional
        Where to look for ``*.toml``; names that begin with a dot are passed over, links to folders not followed.
        Default: the library shipped with keyid.
    skip_bad : bool
        Leave bad files out and tell them in ``skipped``, instead of raising for the first.

    Returns
    -------
    Library

    Raises
    ------
    ProfileError
        For a folder that can't be read or holds no profile, for a file that breaks the format, and for an id that
        stands in two files.
    """
    folder = shipped_folder() if folder is None else folder
    profiles: dict[str, Profile] = {}
    owners: dict[str, str] = {}
    skipped: list[ProfileError] = []
    with _collecting_no_garbage():
        for file, read in read_files(folder):
            faults = tuple(ids_taken(read, file, owners)) if isinstance(read, Profile) else read
            if isinstance(read, Profile) and not faults:
                profiles[read.id] = read
                continue
            if not skip_bad:
                raise counted(faults)
            skipped.append(counted(faults))
    if not profiles:
        raise _nothing_in(folder, skipped)
    return Library(tuple(profiles[key] for key in sorted(profiles)), tuple(skipped))


@contextmanager
def _collecting_no_garbage() -> Iterator[None]:
    """Let no cycles be looked for: profiles hold none, and looking through thousands takes a third of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def shipped_folder() -> Path:
    """The folder of the shipped library: inside the installed package, or beside it in a source checkout."""
    package = Path(str(resources.files("keyid")))
    inside = package / "reference_profiles"
    return inside if inside.is_dir() else package.parent / "reference_profiles"


def _profile_files(folder: Path) -> Iterator[str]:
    """Profile files below a folder; plain paths, which cost less than `Path` where there are thousands."""
    for where, subfolders, files in os.walk(folder, onerror=_raise_unreadable):
        subfolders[:] = [name for name in subfolders if not name.startswith(".")]
        yield from (os.path.join(where, name) for name in files if name.endswith(SUFFIX) and not name.startswith("."))


def _raise_unreadable(error: OSError) -> None:
    """Turn a folder that can't be listed into a ProfileError."""
    raise ProfileError(
        f"The folder {_shown(error.filename)} can't be read ({error.strerror}).", "Name a folder of profile files."
    ) from error


def read_files(folder: Path) -> Iterator[tuple[str, Profile | tuple[ProfileError, ...]]]:
    """Read each profile file of a folder: its name within the folder, and the profile or all faults of the file."""
    within = len(os.path.join(folder, ""))
    for path in sorted(_profile_files(folder), key=lambda path: path.split(os.sep)):
        file = _shown(path[within:])
        yield file, _read(path, file)


def _read(path: str, file: str) -> Profile | tuple[ProfileError, ...]:
    """Read one profile file."""
    from keyid.profiles.profile_file import (  # here: importing pydantic slows down every command
        MOST_BYTES,
        examine_profile,
    )

    if not os.path.isfile(path):
        return (ProfileError(f"{file}: This is not a file.", f"Only profile files may end in {SUFFIX}."),)
    try:
        with open(path, "rb", buffering=0) as opened:
            size = min(os.fstat(opened.fileno()).st_size, MOST_BYTES)
            data = opened.read(size + 1)  # no more than shows that it is too large
    except OSError as error:
        message = f"{file}: The file can't be read ({error.strerror})."
        return (ProfileError(message, "Make it readable, or take it out of the folder."),)
    return examine_profile(data, file)


def ids_taken(profile: Profile, file: str, owners: dict[str, str]) -> Iterator[ProfileError]:
    """Note in ``owners`` that a profile's ids belong to its file; yield an error for each that another file has."""
    claimed = [f"id {profile.id}", *(f"blank id {blank.id}" for blank in profile.blanks)]
    taken = [what for what in claimed if what in owners]
    for what in taken:
        message = f"{file}: The {what} stands in {owners[what]} too."
        yield ProfileError(message, "Profile ids and blank ids are unique in the whole library: change one.")
    if not taken:
        owners.update(dict.fromkeys(claimed, file))


def _nothing_in(folder: Path, skipped: list[ProfileError]) -> ProfileError:
    """The error for a folder from which no profile was read."""
    if skipped:
        return ProfileError(
            f"No profile file in {_shown(folder)} can be used; the first fault: {skipped[0].message}", skipped[0].advice
        )
    return ProfileError(f"There is no profile file ({SUFFIX}) in {_shown(folder)}.", "Name a folder of profile files.")


def _shown(path: Path | str) -> str:
    """A path fit for a message: slashes forward, nothing that garbles a terminal."""
    text = str(path).replace(os.sep, "/")
    return text if text.isprintable() else ascii(text)[1:-1]
