"""Starting the page on this machine: its sockets, its address, the browser, and another way in for a phone."""

from __future__ import annotations

import socket
import threading
import webbrowser
from collections.abc import Callable

import click
import segno
import uvicorn

from keyid.page.app import Entrance, Page
from keyid.page.desks import secret
from keyid.page.guard import ENTRANCE, Door
from keyid.profiles.library import Library

LOOPBACK = "127.0.0.1"
ELSEWHERE = "192.0.2.1"  # an address for documentation (RFC 5737): nothing is ever sent there
QUIET = 4  # modules around a QR code: ISO/IEC 18004, 5.3.8
CONNECTIONS = 64  # at one time: a browser opens six
LAST_ANSWERS_S = 1  # given to answers under way when the page is stopped

LAN_MEANS = """\
Anyone in this network who opens the address below first gets in, once; then a new one is shown here.
Photos cross the network unencrypted: use your own network or your phone's hotspot, never a public one."""


class NoNetwork(Exception):
    """Raised when the machine is in no network."""


def serve(library: Library, port: int, lan: bool, browser: bool, say: Callable[[str], None]) -> None:
    """Serve the page until it is stopped.

    Parameters
    ----------
    library : Library
    port : int
        0 for any that is free.
    lan : bool
        Offer it to other machines in the same network too.
    browser : bool
        Open it in the browser.
    say : callable
        Called with each line for the person who started it.

    Raises
    ------
    OSError
        When the port is taken.
    NoNetwork
    """
    listening = [listen(LOOPBACK, port)]
    port = listening[0].getsockname()[1]
    hosts = [f"{LOOPBACK}:{port}"]
    if lan:
        address = lan_address()
        listening.append(listen(address, port))
        hosts.append(f"{address}:{port}")
    entrance = Entrance(secret(), set())
    page = Page(library, Door(tuple(hosts), f"keyid-{port}"), entrance)
    address = f"http://{hosts[0]}{ENTRANCE}{entrance.token}"
    say(address)
    if lan:
        entrance.spent = lambda: offer(entrance, hosts[1], say)
        say(LAN_MEANS)
        entrance.spent()
    if browser:
        threading.Timer(0.5, webbrowser.open, [address]).start()
    try:
        uvicorn.Server(page_config(page)).run(sockets=listening)
    except KeyboardInterrupt:  # the usual end: everything is forgotten by now
        say("Stopped: everything is forgotten.")


def page_config(page: Page) -> uvicorn.Config:
    """No log of addresses, which are secrets; no protocol that isn't needed."""
    return uvicorn.Config(
        page.app(),
        http="h11",
        ws="none",
        loop="asyncio",
        lifespan="on",
        log_level="critical",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        limit_concurrency=CONNECTIONS,
        timeout_graceful_shutdown=LAST_ANSWERS_S,
    )


def offer(entrance: Entrance, host: str, say: Callable[[str], None]) -> None:
    """Show a new way in for one phone."""
    token = secret()
    entrance.once.add(token)
    address = f"http://{host}{ENTRANCE}{token}"
    say(f"For a phone: {address}")
    for line in qr_text(address).splitlines():
        say(click.style(line, fg="black", bg="bright_white"))  # phones read dark modules on a light ground


def qr_text(text: str) -> str:
    """Return a QR code (ISO/IEC 18004) in block letters, two rows a line; inked where modules are dark."""
    rows = [[False] * QUIET + [bool(cell) for cell in row] + [False] * QUIET for row in segno.make(text).matrix]
    empty = [False] * len(rows[0])
    rows = [*[empty] * QUIET, *rows, *[empty] * (QUIET + len(rows) % 2)]
    blocks = {(True, True): "█", (True, False): "▀", (False, True): "▄", (False, False): " "}
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return "\n".join("".join(blocks[pair] for pair in zip(*two, strict=True)) for two in pairs)


def lan_address() -> str:
    """Return this machine's address in its network, without sending anything."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((ELSEWHERE, 9))
        except OSError as error:
            raise NoNetwork from error
        address: str = asking.getsockname()[0]
    if address.startswith("127.") or address == "0.0.0.0":
        raise NoNetwork
    return address


def listen(address: str, port: int) -> socket.socket:
    """Return a socket that listens there; raises OSError where that is taken."""
    listening = socket.create_server((address, port))
    listening.setblocking(False)
    return listening
