"""What the page holds in memory: a desk for each person, with the keys that lie on it."""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from hmac import compare_digest

from keyid.errors import KeyidError
from keyid.identify import PLAIN_QUESTION, Examination, Measured, Question, Stage
from keyid.page.stages import KeptStages
from keyid.photos.photo import Photo
from keyid.readings.confirm import HandValue
from keyid.readings.remark import Remark
from keyid.scales.pointed import NOTHING_POINTED, Pointed
from keyid.scales.told import Told

SECRET_BYTES = 16  # 128 bits can't be guessed (NIST SP 800-63B, 5.1.4: at least 64 for what is tried over a network)
UNUSED_S = 30 * 60.0  # keys that nobody looked at for so long are forgotten
MOST_DESKS = 16  # people at one time
MOST_KEYS = 8  # on a desk: photos of 12 megapixels take 36 MB each
MOST_PIXELS = 700_000_000  # on all desks together: 2.1 GB


class DeskError(Exception):
    """Something that can't be done on a desk; the text is one plain sentence for the page."""


@dataclass(frozen=True)
class Asked:
    """What a person told of a key, and what is asked of it.

    Attributes
    ----------
    told : Told
        Of all photos, with nothing pointed at.
    pointed : tuple of Pointed
        What was pointed at in each photo, as far as it goes.
    question : Question
    """

    told: Told = field(default_factory=Told)
    pointed: tuple[Pointed, ...] = ()
    question: Question = PLAIN_QUESTION

    def pointed_in(self, n: int) -> Pointed:
        """What was pointed at in a photo."""
        return self.pointed[n] if n < len(self.pointed) else NOTHING_POINTED

    def told_of(self, n: int) -> Told:
        """All that was told of a photo."""
        return replace(self.told, pointed=self.pointed_in(n))

    def with_pointed(self, n: int, pointed: Pointed) -> Asked:
        """The same with something else pointed at in a photo."""
        padded = [*self.pointed, *[NOTHING_POINTED] * (n + 1 - len(self.pointed))]
        padded[n] = pointed
        return replace(self, pointed=tuple(padded))


@dataclass
class Key:
    """A key on a desk: its photos, what was told and measured by hand, and how far its reading is.

    Attributes
    ----------
    photos : tuple of Photo
        All photos of the key, as they were given; ``first`` is the number of the one that is shown first: the one whose
        pixels the reading is in, or the one that was refused.
    asked : Asked
        What was told; ``before`` holds what was told earlier, for undoing.
    measured : dict
        Of several photos, by their number, what was measured in each.
    done : list of Stage
        Stages of the present reading that are through; ``begun`` is the one that runs.
    reading : Examination or None
    error : KeyidError or None
        Why there is no reading.
    version : int
        Counts changes, so that a page can wait for the next.
    """

    id: str
    file: str
    used: float
    photos: tuple[Photo, ...] = ()
    first: int = 0
    asked: Asked = field(default_factory=Asked)
    before: list[Asked] = field(default_factory=list)
    measured: dict[int, Measured] = field(default_factory=dict)
    values: tuple[HandValue, ...] = ()
    asked_by: str = ""
    authority: str = ""
    begun: Stage | None = None
    done: dict[Stage, object] = field(default_factory=dict)
    advice: tuple[Remark, ...] | None = None
    examination: Examination | None = None
    error: KeyidError | None = None
    measuring: bool = True
    forgotten: bool = False
    version: int = 0
    stages: KeptStages | None = None
    _changed: asyncio.Event = field(default_factory=asyncio.Event)

    def change(self) -> None:
        """Tell those who wait that something is new."""
        self.version += 1
        self._changed.set()
        self._changed = asyncio.Event()

    @property
    def photo(self) -> Photo | None:
        """The photo that is shown first."""
        return self.photos[self.first] if self.photos else None

    @property
    def alone(self) -> bool:
        """Whether there is one photo only."""
        return len(self.photos) < 2

    async def newer(self, seen: int, most_s: float) -> None:
        """Wait until there is something newer than version ``seen``, but no longer than ``most_s``."""
        if self.version > seen:
            return
        try:
            await asyncio.wait_for(self._changed.wait(), most_s)
        except TimeoutError:
            return

    def forget(self) -> None:
        """Drop everything that was seen of the key."""
        self.forgotten, self.measuring = True, False
        self.examination = self.advice = self.error = self.stages = None
        self.photos, self.first, self.values, self.asked, self.before = (), 0, (), Asked(), []
        self.done, self.measured = {}, {}
        self.change()


@dataclass
class Desk:
    """One person's keys.  ``id`` stands in its address, ``secret`` in its cookie."""

    id: str
    secret: str
    used: float
    keys: dict[str, Key] = field(default_factory=dict)


class Desks:
    """All desks; ``clock`` tells seconds."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._desks: dict[str, Desk] = {}

    def opened(self, desk_id: str, secret: str) -> Desk | None:
        """Return the desk that both secrets open."""
        desk = self._desks.get(desk_id)
        if desk is None or not compare_digest(desk.secret.encode(), secret.encode()):
            return None
        desk.used = self._clock()
        return desk

    def with_cookie(self, secret: str) -> Desk | None:
        """Return the desk that a browser has already."""
        return next((d for d in self._desks.values() if compare_digest(d.secret.encode(), secret.encode())), None)

    def add(self) -> Desk:
        """Set up a desk for one more person; an empty one that was not used for longest makes room."""
        if len(self._desks) >= MOST_DESKS:
            empty = [desk for desk in self._desks.values() if not desk.keys]
            if not empty:
                raise DeskError(f"{MOST_DESKS} people are here already. Try again later.")
            del self._desks[min(empty, key=lambda desk: desk.used).id]
        desk = Desk(secret(), secret(), self._clock())
        self._desks[desk.id] = desk
        return desk

    def add_key(self, desk: Desk, file: str) -> Key:
        """Lay one more key on a desk."""
        if len(desk.keys) >= MOST_KEYS:
            raise DeskError(f"There are {MOST_KEYS} photos already. Forget one first.")
        key = Key(secret(), file, self._clock())
        desk.keys[key.id] = key
        return key

    def key(self, desk: Desk, key_id: str) -> Key | None:
        """Return a key, which is in use now."""
        key = desk.keys.get(key_id)
        if key is not None:
            key.used = self._clock()
        return key

    def forget(self, desk: Desk, key: Key) -> None:
        """Take a key off its desk."""
        desk.keys.pop(key.id, None)
        key.forget()

    def all(self) -> tuple[Desk, ...]:
        """Return all desks."""
        return tuple(self._desks.values())

    def room_for(self, photo: Photo) -> bool:
        """Tell whether another photo of that size may be held."""
        held = {id(one): one for desk in self.all() for key in desk.keys.values() for one in key.photos}
        return sum(map(_pixels, held.values())) + _pixels(photo) <= MOST_PIXELS

    def forget_unused(self) -> None:
        """Forget the keys that nobody used for long."""
        now = self._clock()
        for desk in self._desks.values():
            for key in list(desk.keys.values()):
                if now - key.used > UNUSED_S:
                    self.forget(desk, key)

    def forget_all(self) -> None:
        """Forget everything."""
        for desk in self._desks.values():
            for key in list(desk.keys.values()):
                self.forget(desk, key)
        self._desks.clear()


def secret() -> str:
    """Return a new secret, fit for addresses and cookies."""
    return secrets.token_urlsafe(SECRET_BYTES)


def _pixels(photo: Photo) -> int:
    return photo.width_px * photo.height_px
