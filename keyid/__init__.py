"""Identify a physical key from a photo by measuring it.

``keyid.read(photo)`` does all of it and returns a `keyid.Reading`; everything else is a stage of that.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from keyid.errors import KeyidError, PhotoError, ProfileError
    from keyid.identify import read
    from keyid.readings.reading import Reading

__all__ = ["KeyidError", "PhotoError", "ProfileError", "Reading", "read"]

_HOMES = {
    "KeyidError": "keyid.errors",
    "PhotoError": "keyid.errors",
    "ProfileError": "keyid.errors",
    "Reading": "keyid.readings.reading",
    "read": "keyid.identify",
}


def __getattr__(name: str) -> Any:  # noqa: ANN401  (the names differ in type)
    """Load a public name when it is first asked for, so that ``keyid --help`` needn't load the whole pipeline."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
