"""A page served for tests, and a plain client that keeps cookies: real HTTP, so that headers are what they are."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection
from typing import Any

import uvicorn

from keyid.page.app import Entrance, Page
from keyid.page.guard import Door
from keyid.page.serve import listen, page_config
from keyid.profiles.library import Library


@dataclass(frozen=True)
class Answer:
    """What the page answered; names of headers in small letters."""

    status: int
    headers: dict[str, str]
    content: bytes

    @property
    def text(self) -> str:
        """The content as text."""
        return self.content.decode()

    def json(self) -> Any:  # noqa: ANN401  (JSON of any shape)
        """The content as JSON."""
        return json.loads(self.content)


@dataclass
class Client:
    """One person's browser, as far as headers go."""

    host: str
    cookies: dict[str, str] = field(default_factory=dict)

    def ask(
        self, method: str, path: str, content: bytes | None = None, headers: dict[str, str] | None = None
    ) -> Answer:
        """Send a request as it is told, and keep the cookies of the answer."""
        connection = HTTPConnection(self.host, timeout=20)
        sent = {"cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items()), **(headers or {})}
        connection.request(method, path, content, sent)
        answer = connection.getresponse()
        told = {name.lower(): value for name, value in answer.getheaders()}
        if "set-cookie" in told:
            name, _, value = told["set-cookie"].partition(";")[0].partition("=")
            self.cookies[name] = value
        made = Answer(answer.status, told, answer.read())
        connection.close()
        return made

    def get(self, path: str, headers: dict[str, str] | None = None) -> Answer:
        """Ask for a page."""
        return self.ask("GET", path, None, headers)

    def post(self, path: str, content: bytes = b"", headers: dict[str, str] | None = None) -> Answer:
        """Send something, as the page's own script does."""
        return self.ask("POST", path, content, {"origin": f"http://{self.host}", **(headers or {})})

    def enter(self, token: str = "token") -> str:
        """Return the address of this person's desk."""
        return self.get(f"/enter/{token}").headers["location"]


@contextmanager
def served(library: Library, entrance: Entrance) -> Iterator[tuple[Page, str]]:
    """Serve a page on a free port; its host with the port."""
    listening = listen("127.0.0.1", 0)
    host = f"127.0.0.1:{listening.getsockname()[1]}"
    page = Page(library, Door((host,), "keyid-test"), entrance)
    server = uvicorn.Server(page_config(page))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield page, host
    finally:
        server.should_exit = True
        thread.join()
