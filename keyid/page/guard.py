"""Who is let in: the right host, the right origin, and an address and a cookie that can't be guessed.

A browser shows many pages at once, and any of them may send requests to this machine.  A foreign name that resolves to
this machine is told by its Host, a foreign page by its Origin and by Sec-Fetch-Site (W3C, Fetch Metadata Request
Headers).  A desk is opened by two secrets together: one in the address, one in a cookie.  Cookies are sent to all ports
of a host, addresses stand in the browser's history: neither is enough by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, cookie_parser
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from keyid.page.desks import Desks
from keyid.page.shown import plain_page

ENTRANCE = "/enter/"
SAFE_METHODS = ("GET", "HEAD")
OWN_SITE = ("same-origin", "none")  # of Sec-Fetch-Site: this page itself, or the person's own doing

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "Cache-Control": "no-store",  # nor does the browser write anything to disk
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
"""Of every answer that doesn't set its own."""


@dataclass(frozen=True)
class Door:
    """Names under which this page is reached, each a host with a port, and the name of its cookie."""

    hosts: tuple[str, ...]
    cookie: str

    @property
    def origins(self) -> tuple[str, ...]:
        """Origins of the page itself."""
        return tuple(f"http://{host}" for host in self.hosts)


class Guard:
    """Lets nobody through to the application who doesn't hold both secrets of a desk, or the way in."""

    def __init__(self, app: ASGIApp, door: Door, desks: Desks) -> None:
        self._app, self._door, self._desks = app, door, desks

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or hand it on with its desk in ``scope["desk"]``."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        if refusal is None and not scope["path"].startswith(ENTRANCE):
            desk = self._desks.opened(scope["path"].split("/")[1], cookie(headers, self._door.cookie))
            if desk is None:
                refusal = plain_page("closed.html", 403)
            scope["desk"] = desk
        answering = Answering(send)
        try:
            await (refusal or self._app)(scope, receive, answering)
        except ClientDisconnect:
            return
        except Exception:  # last line of defence: a person can't use a traceback, and it must not name what lies here
            if not answering.begun:
                await plain_page("failed.html", 500)(scope, receive, answering)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        """Nothing for foreign names and foreign pages; None for others."""
        nothing = Response(status_code=403)
        if headers.get("host") not in self._door.hosts:
            return nothing
        origin = headers.get("origin")
        if origin not in self._door.origins and (origin is not None or scope["method"] not in SAFE_METHODS):
            return nothing
        site = headers.get("sec-fetch-site", "none")
        return None if site in OWN_SITE or scope["path"].startswith(ENTRANCE) else nothing


def cookie(headers: Headers, name: str) -> str:
    """Return a cookie's value; empty where there is none."""
    return cookie_parser(headers.get("cookie", "")).get(name, "")


class Answering:
    """Sends an answer with the headers that every answer carries, and knows whether it has begun."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.begun = False

    async def __call__(self, message: Message) -> None:
        """Send a part of the answer."""
        if message["type"] == "http.response.start":
            self.begun = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await self._send(message)
