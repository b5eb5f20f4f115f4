"""Files that only their owner may read: a key's photo and its bitting are as good as the key."""

from __future__ import annotations

import os
from pathlib import Path


def write_private(path: Path, data: bytes) -> None:
    """Write a file that only its owner may read.

    Raises
    ------
    OSError
        When it can't be written.
    """
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        path.chmod(0o600)  # also where the file was there before
        file.write(data)
