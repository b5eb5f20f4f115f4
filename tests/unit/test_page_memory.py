"""Photos leave memory: what is forgotten, also while it is read, is held by nobody.  Exact: weak references die."""

from __future__ import annotations

import gc
import time
import weakref
from collections.abc import Callable, Iterator

import cv2
import numpy as np
import pytest

from keyid.page import measuring
from keyid.page.app import Entrance, Page
from keyid.page.desks import Key
from keyid.profiles.library import load_library
from tests.conftest import PROFILES
from tests.unit.page_client import Client, served

SOON_S = 20.0


@pytest.fixture(scope="module")
def running() -> Iterator[tuple[Page, str]]:
    with served(load_library(PROFILES), Entrance("token", set())) as page_and_host:
        yield page_and_host


def soon(true: Callable[[], bool]) -> bool:
    """Wait until something is true."""
    until = time.monotonic() + SOON_S
    while not true() and time.monotonic() < until:
        time.sleep(0.02)
    return true()


def given(running: tuple[Page, str], browser: Client, desk: str) -> tuple[str, Key]:
    """Give a photo that shows nothing but noise: its address, and the key in memory."""
    grain = np.random.default_rng(1).integers(90, 160, (1200, 1600, 3), np.uint8)
    data = cv2.imencode(".jpg", grain)[1].tobytes()
    address = f"{desk}key/{browser.post(f'{desk}keys', data).json()['key']}"
    keys = {key.id: key for one in running[0].desks.all() for key in one.keys.values()}
    return address, keys[address.split("/")[-1]]


def test_nothing_of_a_refused_photo_stays(running: tuple[Page, str]) -> None:
    browser = Client(running[1])
    address, key = given(running, browser, browser.enter())
    assert soon(lambda: key.error is not None)
    assert key.photo is not None
    pixels = weakref.ref(key.photo.pixels)
    browser.post(f"{address}/forget", b"{}")
    assert soon(lambda: gc.collect() >= 0 and pixels() is None)


def test_forgetting_ends_a_reading(running: tuple[Page, str], monkeypatch: pytest.MonkeyPatch) -> None:
    entered, go_on, after = [], [], []

    def slowly(photo: object, library: object, told: object, stages: Callable[..., object], *_: object) -> None:
        """A reading of two stages that waits between them."""
        stages("scale", lambda: entered.append(1))
        soon(lambda: bool(go_on))
        stages("key", lambda: after.append(1))

    monkeypatch.setattr(measuring, "_examined", slowly)
    browser = Client(running[1])
    address, key = given(running, browser, browser.enter())
    assert soon(lambda: bool(entered))
    assert key.photo is not None
    pixels = weakref.ref(key.photo.pixels)
    browser.post(f"{address}/forget", b"{}")
    go_on.append(1)
    assert soon(lambda: gc.collect() >= 0 and pixels() is None)
    assert after == []
