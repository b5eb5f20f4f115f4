"""Reading keys in the background: one at a time, telling each stage as it is through.

One at a time, because a reading uses the whole machine's memory bandwidth anyway, and because decoders of damaged
photos are kept quiet for the whole process (`keyid.photos.photo`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from keyid.errors import KeyidError, PhotoError
from keyid.identify import Examination, Measured, Stage, examine, examine_together, measure_named
from keyid.page.desks import Asked, Desks, Key
from keyid.page.stages import KeptStages
from keyid.photos.photo import Photo, decode_photo
from keyid.profiles.library import Library
from keyid.readings.photo_advice import advise
from keyid.scales.scale import Scale
from keyid.silhouettes.silhouette import Silhouette

FULL = PhotoError(
    "unreadable-file", "There is no room for another photo.", "Forget keys that are done, then give it again."
)


class Forgotten(Exception):
    """The key was forgotten while it was read."""


class OneRefused(Exception):
    """One of several photos of a key can't be measured."""

    def __init__(self, photo: int, why: PhotoError) -> None:
        super().__init__(str(why))
        self.photo, self.why = photo, why


class Measuring:
    """Reads keys of all desks, in the order in which they were given."""

    def __init__(self, desks: Desks, library: Library) -> None:
        self._desks, self._library = desks, library
        self._pool = ThreadPoolExecutor(1, "reading")
        self._tasks: set[asyncio.Task[None]] = set()

    def begin(self, key: Key, data: bytes) -> None:
        """Decode a photo and read the key in it."""
        self._start(self._first(key, data))

    def begin_together(self, key: Key, singly: list[Key]) -> None:
        """Read the one key that the photos of several show; what was told of them is taken over."""
        key.photos = tuple(photo for one in singly for photo in one.photos)
        points = tuple(one.asked.pointed_in(n) for one in singly for n in range(len(one.photos)))
        key.asked = Asked(singly[0].asked.told, points)
        self._start(self._read(key))

    def again(self, key: Key, asked: Asked) -> None:
        """Read a key anew with what was told; while it is being read, what was told last counts."""
        key.asked = asked
        if not key.measuring and key.photo is not None:
            self._start(self._read(key))

    def close(self) -> None:
        """End the thread when its present stage is through."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _start(self, work: Any) -> None:  # noqa: ANN401  (a coroutine)
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)  # the loop itself holds tasks weakly only
        task.add_done_callback(self._tasks.discard)

    async def _first(self, key: Key, data: bytes) -> None:
        key.begun = "photo"
        try:
            photo: Photo = await self._in_thread(decode_photo, key.file, data)
            if not self._desks.room_for(photo):
                raise FULL
        except Exception as error:
            _refused(key, error)
            return
        if not key.forgotten:
            key.photos = (photo,)
            _done(key, "photo", photo)
            await self._read(key)

    async def _read(self, key: Key) -> None:
        """Read a key until nothing new was told meanwhile."""
        key.stages = key.stages or _telling_stages(key)
        asked, told = None, _telling_measured(key)
        while asked != key.asked and not key.forgotten:
            asked = key.asked
            key.measuring, key.error = True, None
            key.done = {"photo": key.photo}
            key.change()
            try:
                examination = await self._in_thread(_examined, key.photos, self._library, asked, key.stages, told)
                _read_now(key, examination)
            except Forgotten:
                return
            except OneRefused as refused:
                key.first = refused.photo
                _refused(key, refused.why)
            except Exception as error:
                _refused(key, error)
        if not key.forgotten:
            key.measuring = False
            key.change()

    async def _in_thread(self, work: Callable[..., Any], *inputs: object) -> Any:  # noqa: ANN401
        return await asyncio.get_running_loop().run_in_executor(self._pool, work, *inputs)


def _examined(
    photos: tuple[Photo, ...],
    library: Library,
    asked: Asked,
    stages: KeptStages,
    measured: Callable[[int, Measured], None],
) -> Examination:
    """Read the key; of several photos ``measured`` is told each as it is measured, which is kept for all together."""
    question = asked.question
    if len(photos) == 1:
        return examine(photos[0], profiles=library, told=asked.told_of(0), question=question, run=stages)
    for n, photo in enumerate(photos):
        try:
            measured(n, measure_named(photo, asked.told_of(n), stages))
        except PhotoError as error:
            raise OneRefused(n, error) from error
    points = tuple(asked.pointed_in(n) for n in range(len(photos)))
    return examine_together(photos, profiles=library, told=asked.told, pointed=points, question=question, run=stages)


def _read_now(key: Key, examination: Examination) -> None:
    """Take a reading; of several photos the one that it is of is shown."""
    if not key.forgotten:
        key.first = next(n for n, photo in enumerate(key.photos) if photo is examination.photo)
        key.examination = examination


def _telling_stages(key: Key) -> KeptStages:
    """Stages that tell the key, on the thread of the page, how far they are."""
    loop = asyncio.get_running_loop()

    def begun(stage: Stage) -> None:
        if key.forgotten:
            raise Forgotten
        loop.call_soon_threadsafe(_begun, key, stage)

    def ended(stage: Stage, made: object) -> None:
        loop.call_soon_threadsafe(_done, key, stage, made)

    return KeptStages(begun, ended, len(key.photos))


def _telling_measured(key: Key) -> Callable[[int, Measured], None]:
    """Tells the key, on the thread of the page, what was measured in one of its photos."""
    loop = asyncio.get_running_loop()

    def told(n: int, made: Measured) -> None:
        loop.call_soon_threadsafe(_measured, key, n, made)

    return told


def _measured(key: Key, n: int, made: Measured) -> None:
    if not key.forgotten:
        key.measured[n] = made
        key.change()


def _begun(key: Key, stage: Stage) -> None:
    if not key.forgotten:
        key.begun = stage
        key.change()


def _done(key: Key, stage: Stage, made: object) -> None:
    """Note a stage's result; once the key is found it is known what limits the photo."""
    if key.forgotten:
        return
    key.done[stage] = made
    scale = key.done.get("scale")
    if isinstance(made, Silhouette) and isinstance(scale, Scale) and key.photo is not None and key.alone:
        key.advice = advise(key.photo, scale, made)
    key.change()


def _refused(key: Key, error: Exception) -> None:
    """Note why there is no reading; a fault inside the program becomes a plain refusal that says so."""
    if key.forgotten:
        return
    if not isinstance(error, KeyidError):
        message = f"This photo made the program fail ({type(error).__name__}: {error})."
        error = PhotoError("key-unclear", message, "Take another photo, and report this one.")
    key.error, key.examination = error, None
    key.measuring = False
    key.change()
