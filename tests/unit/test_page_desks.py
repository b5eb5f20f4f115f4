"""The page's memory: who sees what, and when it is forgotten.  Exact construction: the clock is turned by hand."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest

from keyid.page.desks import MOST_DESKS, MOST_KEYS, MOST_PIXELS, UNUSED_S, DeskError, Desks
from keyid.page.stages import KeptStages
from keyid.photos.photo import Photo
from keyid.scales.told import Told


class Clock:
    """A clock turned by hand."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        """As `time.monotonic`."""
        return self.now


def photo(height: int = 10, width: int = 10) -> Photo:
    return Photo("key.jpg", "0" * 64, np.broadcast_to(np.uint8(0), (height, width, 3)), None, True)


def test_a_desk_opens_with_both_its_secrets_only() -> None:
    desks = Desks()
    one, other = desks.add(), desks.add()
    assert desks.opened(one.id, one.secret) is one
    assert desks.opened(one.id, other.secret) is None
    assert desks.opened(one.id, "") is None
    assert desks.opened("", one.secret) is None


def test_a_key_lies_on_one_desk_only() -> None:
    desks = Desks()
    one, other = desks.add(), desks.add()
    key = desks.add_key(one, "key.jpg")
    assert desks.key(one, key.id) is key
    assert desks.key(other, key.id) is None


def test_secrets_have_128_bits() -> None:
    made = {Desks().add().secret for _ in range(50)}
    assert len(made) == 50
    assert min(map(len, made)) >= 128 / 6  # base64 has 6 bits a letter (RFC 4648)


def test_a_key_that_is_not_used_is_forgotten() -> None:
    clock = Clock()
    desks = Desks(clock)
    desk = desks.add()
    used, unused = desks.add_key(desk, "used.jpg"), desks.add_key(desk, "unused.jpg")
    unused.photos = (photo(),)
    clock.now = UNUSED_S - 1
    desks.key(desk, used.id)
    desks.forget_unused()
    assert unused.id in desk.keys
    clock.now = UNUSED_S + 1
    desks.forget_unused()
    assert list(desk.keys) == [used.id]
    assert unused.forgotten
    assert unused.photo is None


def test_forgetting_wakes_those_who_wait() -> None:
    async def waits() -> bool:
        desks = Desks()
        desk = desks.add()
        key = desks.add_key(desk, "key.jpg")
        waiting = asyncio.create_task(key.newer(key.version, 10.0))
        await asyncio.sleep(0)
        desks.forget(desk, key)
        await asyncio.wait_for(waiting, 1.0)
        return key.forgotten

    assert asyncio.run(waits())


def test_a_desk_holds_so_many_keys_only() -> None:
    desks = Desks()
    desk = desks.add()
    for n in range(MOST_KEYS):
        desks.add_key(desk, f"{n}.jpg")
    with pytest.raises(DeskError, match="Forget one first"):
        desks.add_key(desk, "more.jpg")


def test_empty_desks_make_room_and_others_do_not() -> None:
    desks = Desks()
    first = desks.add()
    for _ in range(MOST_DESKS - 1):
        desks.add_key(desks.add(), "key.jpg")
    last = desks.add()  # the first, which is empty, is gone
    assert desks.opened(first.id, first.secret) is None
    desks.add_key(last, "key.jpg")
    with pytest.raises(DeskError, match="people are here already"):
        desks.add()


def test_all_photos_together_have_a_limit() -> None:
    desks = Desks()
    key = desks.add_key(desks.add(), "key.jpg")
    half = photo(1000, MOST_PIXELS // 2000)
    key.photos = (half,)
    assert desks.room_for(half)
    desks.add_key(desks.add(), "other.jpg").photos = (photo(1, 1),)
    assert not desks.room_for(half)


def runs_of(*changes: tuple[object, ...]) -> list[int]:
    """How many times a stage was run, after each of these inputs in turn."""
    ran: list[object] = []
    stages = KeptStages(lambda stage: None, lambda stage, made: None)
    counts = []
    for inputs in changes:
        stages("scale", lambda *given: ran.append(given), *inputs)
        counts.append(len(ran))
    return counts


def test_a_stage_with_the_same_inputs_is_not_run_again() -> None:
    pixels = photo()
    assert runs_of((pixels, Told()), (pixels, Told()), (pixels, Told(thickness_mm=2.0))) == [1, 1, 2]
    assert runs_of((pixels, None), (pixels, None), (photo(), None)) == [1, 1, 2]


def test_undoing_finds_the_earlier_result() -> None:
    pixels = photo()
    as_found, pointed = (pixels, Told()), (pixels, Told(thickness_mm=2.0))
    assert runs_of(as_found, pointed, as_found, pointed) == [1, 2, 2, 2]
    one, other = (photo(), None), (photo(), None)
    assert runs_of(one, other, one, other) == [1, 2, 2, 2]


def test_a_stage_that_fails_is_run_again() -> None:
    told: list[str] = []
    stages = KeptStages(told.append, lambda stage, made: told.append(f"{stage} done"))

    def fails() -> None:
        raise ValueError("not now")

    with pytest.raises(ValueError, match="not now"):
        stages("key", fails)
    stages("key", lambda: None)
    assert told == ["key", "key", "key done"]
