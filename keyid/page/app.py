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

from keyid.page.desks import MOST_KEYS, Asked, Desk, DeskError, Desks, Key
from keyid.page.guard import Door, Guard, cookie
from keyid.page.knowing import MOST_CODES_BYTES, asked_of, length_of
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
from keyid.profiles.library import Library
from keyid.profiles.profile import Profile
from keyid.readings.caliper import TypedUnit, typed_mm
from keyid.readings.confirm import HandValue
from keyid.reports.picture import draw_closeup, png
from keyid.reports.request import MESSAGE
from keyid.reports.text import plain
from keyid.scales.coin import COINS, CoinError, coin_named
from keyid.scales.paper import PAPERS as SHEETS_OF_PAPER
from keyid.scales.pointed import NOTHING_POINTED
from keyid.scales.told import BARS_MM, KINDS, Told

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
            Route("/{desk}/key/{key}/known", self._known, methods=["POST"]),
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
        asked_for = [desk.keys.get(str(one)) for one in wanted] if isinstance(wanted, list) else []
        keys = [key for key in asked_for if key is not None and key.photos]
        photos = [photo for key in keys for photo in key.photos]
        if not 2 <= len(photos) <= MOST_TOGETHER:
            return _said(f"Choose two to {MOST_TOGETHER} photos of one key.", 400)
        try:
            key = self.desks.add_key(desk, " + ".join(photo.file for photo in photos)[:MOST_LETTERS])
        except DeskError as error:
            return _said(str(error), 409)
        self._measuring.begin_together(key, keys)
        return JSONResponse({"key": key.id})

    async def _key(self, request: Request) -> Response:
        key = self._asked_for(request)
        if key is None:
            return _gone(request, GONE)
        others = [one for one in _desk(request).keys.values() if one.id != key.id and phase(one) == "read"]
        known = {"coins": COINS, "kinds": KINDS, "sheets": SHEETS_OF_PAPER, "others": others}
        blanks = [blank.id for profile in self._profiles.values() for blank in profile.blanks]
        limits = {"most_codes": MOST_CODES_BYTES, "blanks": [*self._profiles, *blanks]}
        shown = rendered("key.html", key=key, state=state(key, self._profiles), **known, **limits)
        return HTMLResponse(shown)

    async def _now(self, request: Request) -> Response:
        """Answer when there is something newer than what the page has seen."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        await key.newer(int(request.query_params.get("seen", "-1")), WAIT_S)
        return self._state(key, request.query_params.get("photo")) if not key.forgotten else _said(GONE, 404)

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
        photo = key.photos[_photo_number(key, request.query_params.get("photo"))]
        data = await asyncio.to_thread(_jpeg, photo.pixels, most_pixels)
        return Response(data, media_type="image/jpeg")

    async def _told(self, request: Request) -> Response:
        """Read the key again with what was told of the photo."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        sent = await _typed(request)
        try:
            told = _told_of(key.asked.told, sent)
        except (CoinError, ValueError) as error:
            return _said(str(error), 400)
        question = replace(key.asked.question, without_scale=False)
        return self._again(key, replace(key.asked, told=told, question=question), sent)

    async def _known(self, request: Request) -> Response:
        """Read the key again with what is known of it beside the photo."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        try:
            sent = json.loads(await _body(request, MOST_CODES_BYTES + MOST_TOLD_BYTES))
            asked = asked_of(key.asked, sent if isinstance(sent, dict) else {}, self._profiles)
        except TooMuch:
            return _said(f"The code list is larger than {MOST_CODES_BYTES // 1_000_000} MB. Give a part of it.", 413)
        except json.JSONDecodeError:
            return _said("What was sent can't be read.", 400)
        except ValueError as error:
            return _said(plain(str(error)), 400)
        if asked.question.without_scale and not key.alone:
            return _said("Without anything of known size one photo is read alone: tell it with that photo.", 400)
        return self._again(key, asked, sent)

    async def _pointed(self, request: Request) -> Response:
        """Read the key again with what was pointed at: ``what`` and ``at``; or undone, or as it was found."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        asked = await _typed(request)
        what = _text(asked, "what")
        n = _photo_number(key, asked.get("photo"))
        if what == "undo":
            self._measuring.again(key, key.before.pop() if key.before else key.asked)
            return self._state(key, n)
        if what == "as-found":
            return self._again(key, key.asked.with_pointed(n, NOTHING_POINTED), asked)
        try:
            pointed = pointed_at(key, what, asked.get("at"), n)
        except (IndexError, TypeError, ValueError):
            return _said("That is no place in the photo.", 400)
        return self._again(key, key.asked.with_pointed(n, pointed), asked)

    def _again(self, key: Key, told: Asked, sent: Json) -> Response:
        """Read a key again with something else told; what was told before can be had back."""
        key.before = [*key.before, key.asked][-MOST_UNDONE:]
        self._measuring.again(key, told)
        return self._state(key, sent.get("photo"))

    def _state(self, key: Key, photo: object, trial: tuple[HandValue, ...] = ()) -> Response:
        """All that changes on a key's page, with the photo of that number."""
        return JSONResponse(state(key, self._profiles, trial, _photo_number(key, photo)))

    async def _values(self, request: Request) -> Response:
        """Weigh what was measured by hand: ``keep`` it, try it while it is ``typed``, or ``drop`` it."""
        key = self._asked_for(request)
        if key is None:
            return _said(GONE, 404)
        asked = await _typed(request)
        if _text(asked, "drop"):
            key.values = tuple(value for value in key.values if field(value) != _text(asked, "drop"))
            return self._state(key, asked.get("photo"))
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
            return self._state(key, asked.get("photo"), (value,))
        key.values = (*key.values, value)
        return self._state(key, asked.get("photo"))

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
        from keyid.readings.comparison import compare_keys

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
    bar = length_of(asked, "bar", BARS_MM)
    return replace(before, coin=coin, reference=reference, bar_mm=bar, paper=paper)


def _photo_number(key: Key, asked: object) -> int:
    """Which of a key's photos is asked for; the one that is shown first where none is."""
    text = str(asked)
    return int(text) if text.isdecimal() and int(text) < len(key.photos) else key.first


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
