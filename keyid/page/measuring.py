"""Reading keys in the background: one at a time, telling each stage as it is through.

One at a time, because a reading uses the whole machine's memory bandwidth anyway, and because decoders of damaged
photos are kept quiet for the whole process (`keyid.photo`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from keyid.errors import KeyidError, PhotoError
from keyid.identify import Examination, Stage, examine, examine_together
from keyid.library import Library
from keyid.page.desks import Desks, Key
from keyid.page.stages import KeptStages
from keyid.photo import Photo, decode_photo
from keyid.photo_advice import advise
from keyid.scale import Scale
from keyid.silhouette import Silhouette
from keyid.told import Told

FULL = PhotoError(
    "unreadable-file", "There is no room for another photo.", "Forget keys that are done, then give it again."
)


class Forgotten(Exception):
    """The key was forgotten while it was read."""


class Measuring:
    """Reads keys of all desks, in the order in which they were given."""

    def __init__(self, desks: Desks, library: Library) -> None:
        self._desks, self._library = desks, library
        self._pool = ThreadPoolExecutor(1, "reading")
        self._tasks: set[asyncio.Task[None]] = set()

    def begin(self, key: Key, data: bytes) -> None:
        """Decode a photo and read the key in it."""
        self._start(self._first(key, data))

    def begin_together(self, key: Key, photos: tuple[Photo, ...]) -> None:
        """Read the one key that several photos show."""
        key.photo, *further = photos
        key.further = tuple(further)
        self._start(self._read(key))

    def again(self, key: Key, told: Told) -> None:
        """Read a key anew with what was told; while it is being read, what was told last counts."""
        key.told = told
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
            key.photo = photo
            _done(key, "photo", photo)
            await self._read(key)

    async def _read(self, key: Key) -> None:
        """Read a key until nothing new was told meanwhile."""
        key.stages = key.stages or _telling_stages(key)
        told = None
        while told != key.told and not key.forgotten:
            told = key.told
            key.measuring, key.error = True, None
            key.done = {"photo": key.photo}
            key.change()
            try:
                examination = await self._in_thread(_examined, key.photos, self._library, told, key.stages)
                _read_now(key, examination)
            except Forgotten:
                return
            except Exception as error:
                _refused(key, error)
        if not key.forgotten:
            key.measuring = False
            key.change()

    async def _in_thread(self, work: Callable[..., Any], *inputs: object) -> Any:  # noqa: ANN401
        return await asyncio.get_running_loop().run_in_executor(self._pool, work, *inputs)


def _examined(photos: tuple[Photo, ...], library: Library, told: Told, stages: KeptStages) -> Examination:
    if len(photos) > 1:
        return examine_together(photos, profiles=library, told=told, run=stages)
    return examine(photos[0], profiles=library, told=told, run=stages)


def _read_now(key: Key, examination: Examination) -> None:
    """Take a reading; of several photos the one that it is of is shown."""
    if not key.forgotten:
        key.further = tuple(photo for photo in key.photos if photo is not examination.photo)
        key.photo, key.examination = examination.photo, examination


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
    if isinstance(made, Silhouette) and isinstance(scale, Scale) and key.photo is not None and not key.further:
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
