"""Files that are as good as a key are for their owner only."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from keyid.private_file import write_private


@pytest.mark.skipif(os.name != "posix", reason="permissions as on POSIX systems")
@pytest.mark.parametrize("there_before", [False, True])
def test_only_the_owner_may_read_it(tmp_path: Path, there_before: bool) -> None:
    path = tmp_path / "measured.png"
    if there_before:
        path.write_bytes(b"older and longer")
        path.chmod(0o644)
    write_private(path, b"new")
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.read_bytes() == b"new"
