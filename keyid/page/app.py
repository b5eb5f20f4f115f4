"""The page's addresses: give photos, see a key, tell and point, confirm, take along, compare, forget."""

from __future__ import annotations

import asyncio
import functools
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import PurePath
from typing import Any
from urllib.parse import unquote

import cv2
import numpy as np
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from keyid.caliper import TypedUnit, typed_mm
from keyid.coin import COINS, CoinError, coin_named
from keyid.library import Library
from keyid.page.desks import MOST_KEYS, Desk, DeskError, Desks, Key
from keyid.page.guard import Door, Guard, cookie
from keyid.page.measuring import Measuring
from keyid.page.papers import PAPERS
from keyid.page.pointing import pointed_at
from keyid.page.shown import (
    compared_words,
    examination_now,
    field,
    phase,
    plain_page,
    reading_now,
    rendered,
    shared_css,
    state,
    value_of,
    verdict,
)
from keyid.paper import PAPERS as SHEETS_OF_PAPER
from keyid.picture import draw_closeup, png
from keyid.pointed import NOTHING_POINTED
from keyid.profile import Profile
from keyid.request import MESSAGE
from keyid.text import plain
from keyid.told import BARS_MM, KINDS, THICKNESSES_MM, Told

Json = dict[str, Any]

MOST_UPLOAD_BYTES = 80_000_000  # the largest photos of phones, 108 megapixels as JPEG or HEIC, take up to 50 MB
MOST_TOLD_BYTES = 20_000  # of what is typed
MOST_TOGETHER = 4  # photos of one key: each is measured by itself
MOST_UNDONE = 50  # of what was told of a key
MOST_LETTERS = 200  # of one field, and of a file's name
WAIT_S = 20.0  # that a page waits for news before it asks again
SWEEP_S = 15.0  # between looks for keys that are to be forgotten
LARGEST_PIXELS = 16_000_000  # of the photo as shown: what every phone's browser can draw
QUALITY = 88  # of the photo as shown
THUMB_PX = 320
STATIC = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
GONE = "This key was forgotten: nothing of it is left here."


@dataclass
class Entrance:
    """The ways in: the token of this start, and tokens that let one browser in and then are spent.

    ``spent`` is called when one of those was used.
    """

    token: str
    once: set[str]
    spent: Callable[[], None] = lambda: None


class Page:
    """The page of one start of keyid."""

    def __init__(self, library: Library, door: Door, entrance: Entrance, desks: Desks | None = None) -> None:
        self._profiles: dict[str, Profile] = {profile.id: profile for profile in library.profiles}
        self._door, self._entrance = door, entrance
        self.desks = desks or Desks()
        self._measuring = Measuring(self.desks, library)

    def app(self) -> Starlette:
        """Return the application."""
        routes = [
            Route("/enter/{token}", self._enter, methods=["GET", "POST"]),
            Route("/{desk}/", self._give),
            Route("/{desk}/static/{name}", self._static),
            Route("/{desk}/keys", self._add, methods=["POST"]),
            Route("/{desk}/together", self._together, methods=["POST"]),
            Route("/{desk}/compare", self._compare),
            Route("/{desk}/key/{key}", self._key),
            Route("/{desk}/key/{key}/now", self._now),
            Route("/{desk}/key/{key}/photo.jpg", self._photo),
            Route("/{desk}/key/{key}/small.jpg", self._small),
            Route("/{desk}/key/{key}/blade.png", self._blade),
            Route("/{desk}/key/{key}/told", self._told, methods=["POST"]),
            Route("/{desk}/key/{key}/pointed", self._pointed, methods=["POST"]),
            Route("/{desk}/key/{key}/values", self._values, methods=["POST"]),
            Route("/{desk}/key/{key}/record", self._record, methods=["POST"]),
            Route("/{desk}/key/{key}/forget", self._forget, methods=["POST"]),
            Route("/{desk}/key/{key}/{paper:str}", self._paper),
        ]
        guard = Middleware(Guard, door=self._door, desks=self.desks)
        return Starlette(routes=routes, middleware=[guard], lifespan=self._lifespan, exception_handlers={404: _nothing})

    @asynccontextmanager
    async def _lifespan(self, app: Starlette) -> AsyncIterator[None]:
        sweeping = asyncio.create_task(self._sweep())
        yield
        sweeping.cancel()
        self.desks.forget_all()
        self._measuring.close()

    async def _sweep(self) -> None:
        while True:
            await asyncio.sleep(SWEEP_S)
            self.desks.forget_unused()

    async def _enter(self, request: Request) -> Response:
        """Let a browser in; a way in for one only is spent by a button, not by programs that look at addresses."""
        token = request.path_params["token"]
        own = self.desks.with_cookie(cookie(request.headers, self._door.cookie))
        if own is not None:
            return RedirectResponse(f"/{own.id}/", 303)
        if token in self._entrance.once:
            if request.method == "GET":
                return plain_page("enter.html", token=token)
            self._entrance.once.discard(token)
            self._entrance.spent()
        elif token != self._entrance.token:
            return plain_page("closed.html", 403)
        try:
            desk = self.desks.add()
        except DeskError as error:
            return plain_page("full.html", 503, said=str(error))
        answer = RedirectResponse(f"/{desk.id}/", 303)
        answer.set_cookie(self._door.cookie, desk.secret, httponly=True, samesite="strict")
        return answer

    async def _give(self, request: Request) -> Response:
        desk = _desk(request)
        keys = [{"key": key, "phase": phase(key), "said": verdict(key, self._profiles)} for key in desk.keys.values()]
        shown = rendered("give.html", keys=keys, most=MOST_KEYS, most_bytes=MOST_UPLOAD_BYTES, message=MESSAGE)
        return HTMLResponse(shown)

    async def _static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name == "shared.css":
            return Response(shared_css(), media_type="text/css")
        file = resources.files("keyid.page").joinpath("static", name)
        if not file.is_file():
            return await _nothing(request, None)
        return Response(file.read_bytes(), media_type=STATIC[PurePath(name).suffix])

    async def _add(self, request: Request) -> Response:
        """Take a photo: the request's body is the file."""
        desk = _desk(request)
        file = plain(unquote(request.headers.get("x-file-name", "")))[:MOST_LETTERS] or "photo"
        try:
            data = await _body(request, MOST_UPLOAD_BYTES)
            key = self.desks.add_key(desk, file)
        except TooMuch:
            megabytes = MOST_UPLOAD_BYTES // 1_000_000
            return _said(
                f"{file} is larger than {megabytes} MB: that is no photo of a phone. Give the photo itself.", 413
            )
        except DeskError as error:
            return _said(str(error), 409)
        self._measuring.begin(key, data)
        return JSONResponse({"key": key.id})

    async def _together(self, request: Request) -> Response:
        """Read the one key that several photos show, together."""
        desk = _desk(request)
        wanted = (await _typed(request)).get("keys")
        keys = [desk.keys.get(str(one)) for one in wanted] if isinstance(wanted, list) else []
        photos = tuple(photo for key in keys if key is not None for photo in key.photos)
        if not 2 <= len(photos) <= MOST_TOGETHER:
            return _said(f"Choose two to {MOST_TOGETHER} photos of one key.", 400)
        try:
            key = self.desks.add_key(desk, " + ".join(photo.file for photo in photos)[:MOST_LETTERS])
        except DeskError as error:
            return _said(str(error), 409)
        self._measuring.begin_together(key, photos)
        return JSONResponse({"key": key.id})

    async def _key(self, request: Request) -> Response:
        key = self._asked_for(request)
        if key is None:
            return _gone(request, GONE)
        others = [one for one in _desk(request).keys.values() if one.id != key.id and phase(one) == "read"]
        known = {"coins": COINS, "kinds": KINDS, "sheets": SHEETS_OF_PAPER, "others": others}
        shown = rendered("key.html", key=key, state=state(key, self._profiles), **known)
        return HTMLResponse(shown)

    async def _now(self, request: Request) -> Response:
        """Answer when there is something newer than what the page has seen."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        await key.newer(int(request.query_params.get("seen", "-1")), WAIT_S)
        return JSONResponse(state(key, self._profiles)) if not key.forgotten else _said(GONE, 404)

    async def _photo(self, request: Request) -> Response:
        return await self._picture(request, LARGEST_PIXELS)

    async def _small(self, request: Request) -> Response:
        return await self._picture(request, THUMB_PX**2)

    async def _blade(self, request: Request) -> Response:
        """The blade from near, with what was measured drawn on it."""
        key = self._asked_for(request)
        examination = None if key is None else examination_now(key, self._profiles)
        if examination is None:
            return await _nothing(request, None)
        return Response(png(await asyncio.to_thread(draw_closeup, examination)), media_type="image/png")

    async def _picture(self, request: Request, most_pixels: int) -> Response:
        key = self._asked_for(request)
        if key is None or key.photo is None:
            return await _nothing(request, None)
        data = await asyncio.to_thread(_jpeg, key.photo.pixels, most_pixels)
        return Response(data, media_type="image/jpeg")

    async def _told(self, request: Request) -> Response:
        """Read the key again with what was told of the photo."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        try:
            told = _told_of(key.told, await _typed(request))
        except (CoinError, ValueError) as error:
            return _said(str(error), 400)
        return self._again(key, told)

    async def _pointed(self, request: Request) -> Response:
        """Read the key again with what was pointed at: ``what`` and ``at``; or undone, or as it was found."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        asked = await _typed(request)
        what = _text(asked, "what")
        if what == "undo":
            self._measuring.again(key, key.before.pop() if key.before else key.told)
            return JSONResponse(state(key, self._profiles))
        if what == "as-found":
            return self._again(key, replace(key.told, pointed=NOTHING_POINTED))
        try:
            pointed = pointed_at(key, what, asked.get("at"))
        except (TypeError, ValueError):
            return _said("That is no place in the photo.", 400)
        return self._again(key, replace(key.told, pointed=pointed))

    def _again(self, key: Key, told: Told) -> Response:
        """Read a key again with something else told; what was told before can be had back."""
        key.before = [*key.before, key.told][-MOST_UNDONE:]
        self._measuring.again(key, told)
        return JSONResponse(state(key, self._profiles))

    async def _values(self, request: Request) -> Response:
        """Weigh what was measured by hand: ``keep`` it, try it while it is ``typed``, or ``drop`` it."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        asked = await _typed(request)
        if _text(asked, "drop"):
            key.values = tuple(value for value in key.values if field(value) != _text(asked, "drop"))
            return JSONResponse(state(key, self._profiles))
        unit: TypedUnit = "thou" if asked.get("unit") == "thou" else "mm"
        try:
            value = value_of(_text(asked, "field"), typed_mm(_text(asked, "typed"), unit))
        except ValueError as error:
            return _said(str(error), 400)
        now = reading_now(key, self._profiles)
        cuts = 0 if now is None or now.reading.bitting is None else len(now.reading.bitting.cuts)
        if now is None or value.cut > cuts:
            return _said("There is no such cut in this reading.", 400)
        if not asked.get("keep"):
            return JSONResponse(state(key, self._profiles, (value,)))
        key.values = (*key.values, value)
        return JSONResponse(state(key, self._profiles))

    async def _record(self, request: Request) -> Response:
        """Note who asked and what authority was seen, for the report."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        asked = await _typed(request)
        key.asked_by, key.authority = _text(asked, "asked_by"), _text(asked, "authority")
        return JSONResponse({})

    async def _forget(self, request: Request) -> Response:
        key = self._asked_for(request)
        if key is not None:
            self.desks.forget(_desk(request), key)
        return JSONResponse({})

    async def _paper(self, request: Request) -> Response:
        """Make one of the things to take along."""
        key, make = self._asked_for(request), PAPERS.get(request.path_params["paper"])
        if key is None or make is None:
            return await _nothing(request, None)
        examination = examination_now(key, self._profiles)
        if examination is None:
            return _gone(request, "There is no reading of this key.")
        return await asyncio.to_thread(make, examination, key)

    async def _compare(self, request: Request) -> Response:
        """Compare two keys of the desk."""
        from keyid.comparison import compare_keys

        desk = _desk(request)
        keys = [self.desks.key(desk, request.query_params.get(which, "")) for which in ("old", "new")]
        old, new = keys
        if old is None or new is None or old.examination is None or new.examination is None:
            return _gone(request, "Choose two keys that were read.")
        profiles = tuple(self._profiles.values())
        used = request.query_params.get("used") == "yes"
        compare = functools.partial(compare_keys, new_is_used=used)
        compared = await asyncio.to_thread(compare, old.examination.blade, new.examination.blade, profiles)
        return HTMLResponse(rendered("compare.html", old=old, new=new, used=used, **compared_words(compared)))

    def _asked_for(self, request: Request) -> Key | None:
        return self.desks.key(_desk(request), request.path_params["key"])


def _told_of(before: Told, asked: Json) -> Told:
    """Return what is told of a photo by what was typed; raises CoinError or ValueError with a sentence."""
    coin = coin_named(_text(asked, "coin")) if _text(asked, "coin") else None
    reference = KINDS.get(_text(asked, "reference"))
    if reference == "coin" and coin is None:
        raise ValueError("Tell which coin it is, by its name or its diameter in mm.")
    paper = SHEETS_OF_PAPER.get(_text(asked, "paper"))
    if reference == "paper" and paper is None:
        raise ValueError("Tell which sheet of paper it is.")
    bar = _length(asked, "bar", BARS_MM)
    thickness = _length(asked, "thickness", THICKNESSES_MM)
    return replace(before, coin=coin, reference=reference, bar_mm=bar, thickness_mm=thickness, paper=paper)


def _length(asked: Json, name: str, within_mm: tuple[float, float]) -> float | None:
    """A length that was typed; None for nothing."""
    if not _text(asked, name):
        return None
    mm = typed_mm(_text(asked, name))
    low, high = within_mm
    if not low <= mm <= high:
        raise ValueError(f"{mm:g} mm can't be right: it is between {low:g} and {high:g} mm.")
    return mm


class TooMuch(Exception):
    """A request's body is larger than it may be."""


def _desk(request: Request) -> Desk:
    desk: Desk = request.scope["desk"]
    return desk


async def _body(request: Request, most: int) -> bytes:
    """Read a request's body into memory; raises TooMuch, as soon as it is known to be too large."""
    told = request.headers.get("content-length", "0")
    if not told.isdecimal() or int(told) > most:
        raise TooMuch
    data = bytearray()
    async for part in request.stream():
        data += part
        if len(data) > most:
            raise TooMuch
    return bytes(data)


async def _typed(request: Request) -> Json:
    """Return what the page's script sent; nothing where it can't be read."""
    try:
        asked = json.loads(await _body(request, MOST_TOLD_BYTES))
    except (ValueError, TooMuch, ClientDisconnect):
        return {}
    return asked if isinstance(asked, dict) else {}


def _text(asked: Json, name: str) -> str:
    return plain(str(asked.get(name) or "")).strip()[:MOST_LETTERS]


def _said(sentence: str, status: int) -> JSONResponse:
    return JSONResponse({"said": sentence}, status)


async def _nothing(request: Request, error: Exception | None) -> Response:
    return _gone(request, "There is nothing at this address.")


def _gone(request: Request, said: str) -> Response:
    return HTMLResponse(rendered("gone.html", desk=_desk(request).id, said=said), 404)


def _jpeg(pixels: np.ndarray[Any, np.dtype[np.uint8]], most_pixels: int) -> bytes:
    """The photo without anything that the camera wrote, made smaller where it has more than ``most_pixels``."""
    high, wide = pixels.shape[:2]
    shrink = (most_pixels / (wide * high)) ** 0.5
    if shrink < 1:
        size = (max(1, round(wide * shrink)), max(1, round(high * shrink)))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    return bytes(cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1])
