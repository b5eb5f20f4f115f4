"""Who is let in: foreign names, foreign pages and requests without the secrets get nothing.

Attacks as in the OWASP Cheat Sheet Series (Cross-Site Request Forgery Prevention) and D. Byrne et al., "DNS rebinding"
(from memory): a foreign Host, a foreign Origin, no Origin, another port of this machine, another person's cookie.
"""

from __future__ import annotations

import json
import re
import socket
from collections.abc import Iterator
from typing import Any

import pytest

from keyid.page.app import Entrance
from keyid.page.desks import MOST_KEYS
from keyid.profiles.library import load_library
from tests.conftest import PROFILES
from tests.unit.page_client import Client, served


@pytest.fixture(scope="module")
def host() -> Iterator[str]:
    # Ways in for one phone are spent by the one test that uses them.
    with served(load_library(PROFILES), Entrance("token", {"once"})) as (_, host):
        yield host


@pytest.fixture
def browser(host: str) -> Client:
    return Client(host)


@pytest.fixture
def desk(browser: Client) -> str:
    return browser.enter()


@pytest.fixture(autouse=True)
def cleared(browser: Client) -> Iterator[None]:
    """Forget the keys of a test, so that its desk makes room for the next."""
    yield
    own = browser.enter()
    for key in re.findall(r'data-forget="([^"]+)"', browser.get(own).text):
        browser.post(f"{own}key/{key}/forget", b"{}")


def settled(browser: Client, key: str) -> dict[str, Any]:
    """Wait until a key is read or refused."""
    now = browser.get(f"{key}/now").json()
    while now["phase"] == "measuring":
        now = browser.get(f"{key}/now?seen={now['version']}").json()
    return now


def give(browser: Client, desk: str, content: bytes = b"no photo", name: str = "key.jpg") -> str:
    """Return the id of a key whose photo is that."""
    return browser.post(f"{desk}keys", content, {"x-file-name": name}).json()["key"]


def test_the_token_opens_a_desk(browser: Client, desk: str) -> None:
    answer = browser.get(desk)
    assert answer.status == 200
    assert "Choose photos" in answer.text
    assert browser.enter() == desk  # the same browser keeps its desk


def test_a_wrong_token_opens_nothing(browser: Client) -> None:
    answer = browser.get("/enter/guessed")
    assert answer.status == 403
    assert "set-cookie" not in answer.headers
    assert "This page is closed" in answer.text


@pytest.mark.parametrize(
    "headers",
    [
        {"host": "evil.example"},
        {"host": "evil.example:8123"},
        {"host": "127.0.0.1:1"},
        {"host": "localhost"},
        {"origin": "http://evil.example"},
        {"origin": "http://127.0.0.1:1"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_foreign_names_and_pages_get_nothing(browser: Client, desk: str, headers: dict[str, str]) -> None:
    for answer in (browser.get(desk, headers), browser.post(f"{desk}keys", b"x", headers)):
        assert (answer.status, answer.content) == (403, b"")


def test_changes_need_an_origin(browser: Client, desk: str) -> None:
    assert browser.ask("POST", f"{desk}keys", b"x").status == 403
    assert browser.post(f"{desk}keys", b"x").status == 200


def test_address_and_cookie_are_needed_together(host: str, browser: Client, desk: str) -> None:
    strange = Client(host)
    for address in (desk, f"{desk}static/page.css", "/", "/favicon.ico", f"{desk}key/any"):
        answer = strange.get(address)
        assert answer.status == 403
        assert "This page is closed" in answer.text
    own = strange.enter()
    assert own != desk
    assert strange.get(desk).status == 403  # one's own cookie doesn't open another's address
    assert strange.get(own).status == 200


def test_a_key_of_one_person_is_none_of_another(host: str, browser: Client, desk: str) -> None:
    key = give(browser, desk)
    assert browser.get(f"{desk}key/{key}").status == 200
    other = Client(host)
    own = other.enter()
    assert "key.jpg" not in other.get(own).text
    for what in ("", "/now", "/photo.jpg", "/blade.png", "/report", "/reading.json"):
        assert other.get(f"{own}key/{key}{what}").status == 404
    other.post(f"{own}key/{key}/forget", b"{}")
    assert browser.get(f"{desk}key/{key}").status == 200


def test_a_way_in_for_one_phone_works_once_and_needs_a_press(host: str, browser: Client) -> None:
    assert "Open the page" in browser.get("/enter/once").text  # a program that looks at addresses spends nothing
    assert browser.post("/enter/once", b"", {"origin": "http://evil.example"}).status == 403
    assert browser.post("/enter/once").status == 303
    assert Client(host).get("/enter/once").status == 403


def test_every_answer_carries_its_policy(browser: Client, desk: str) -> None:
    for address in (desk, f"{desk}static/page.css", f"{desk}nothing", "/enter/wrong", "/"):
        headers = browser.get(address).headers
        assert headers["cache-control"] == "no-store"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["x-content-type-options"] == "nosniff"
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert "unsafe" not in browser.get(desk).headers["content-security-policy"]


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(browser: Client) -> None:
    cookie = browser.get("/enter/token").headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_the_page_names_nothing_outside_this_machine(browser: Client, desk: str) -> None:
    names = ("page.css", "shared.css", "key.js", "give.js", "photo.js", "talk.js", "icon.svg")
    parts = [browser.get(desk), *(browser.get(f"{desk}static/{name}") for name in names)]
    assert [part.status for part in parts] == [200] * len(parts)
    outside = {found for part in parts for found in re.findall(r"//[\w.]+\.\w+", part.text)}
    assert outside <= {"//www.w3.org"}  # SVG's namespace: a name, never fetched


def test_a_file_that_is_too_large_is_refused_before_it_is_read(browser: Client, desk: str) -> None:
    answer = browser.post(f"{desk}keys", b"x", {"content-length": str(2 * 10**9)})
    assert answer.status == 413
    assert "larger than 80 MB" in answer.json()["said"]


def test_a_connection_that_breaks_leaves_nothing(browser: Client, desk: str) -> None:
    path, host = f"{desk}keys", browser.host
    head = f"POST {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nContent-Length: 1000000\r\n"
    cookies = "; ".join(f"{name}={value}" for name, value in browser.cookies.items())
    name, _, port = host.partition(":")
    with socket.create_connection((name, int(port))) as line:
        line.sendall(f"{head}Cookie: {cookies}\r\n\r\nonly this".encode())
    assert "Here now" not in browser.get(desk).text
    assert give(browser, desk)


def test_too_many_photos_are_refused(browser: Client, desk: str) -> None:
    keys = [give(browser, desk) for _ in range(MOST_KEYS)]
    answer = browser.post(f"{desk}keys", b"x")
    assert answer.status == 409
    assert "Forget one first" in answer.json()["said"]
    browser.post(f"{desk}key/{keys[0]}/forget", b"{}")
    assert give(browser, desk)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "This file is empty."),
        (b"Not a photo at all, whatever its name says.", "This file is damaged or is not a photo."),
        (b"\0\0\0\x20ftypisom\0\0\2\0isomiso2mp41", "This file is damaged or is not a photo."),
    ],
)
def test_what_is_no_photo_gets_a_plain_sentence(browser: Client, desk: str, content: bytes, sentence: str) -> None:
    now = settled(browser, f"{desk}key/{give(browser, desk, content)}")
    assert now["phase"] == "refused"
    assert sentence in now["answer"]
    assert "fail" not in now["answer"]


def test_names_of_files_are_shown_as_text(browser: Client, desk: str) -> None:
    give(browser, desk, b"x", "%3Cscript%3Ealert(1)%3C%2Fscript%3E.jpg")
    shown = browser.get(desk).text
    assert "<script>alert" not in shown
    assert "&lt;script&gt;alert(1)" in shown


def test_a_forgotten_key_is_gone(browser: Client, desk: str) -> None:
    key = give(browser, desk)
    assert browser.post(f"{desk}key/{key}/forget", b"{}").status == 200
    answer = browser.get(f"{desk}key/{key}")
    assert answer.status == 404
    assert "was forgotten" in answer.text


@pytest.mark.parametrize("typed", [b"{", b"[]", b"7", b"\xff", b"{}", b"x" * 30_000])
def test_odd_requests_are_refused_in_words(browser: Client, desk: str, typed: bytes) -> None:
    answer = browser.post(f"{desk}key/{give(browser, desk)}/values", typed)
    assert answer.status == 400
    assert answer.json()["said"]


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({"coin": "moon dollar"}, "is not among the coins known here"),
        ({"reference": "coin"}, "Tell which coin it is"),
        ({"reference": "paper"}, "Tell which sheet of paper it is"),
        ({"bar": "long"}, "is not a length such as"),
        ({"bar": "1,0"}, "between 80 and 120 mm"),
    ],
)
def test_what_is_told_wrongly_is_answered_in_words(
    browser: Client, desk: str, told: dict[str, str], sentence: str
) -> None:
    answer = browser.post(f"{desk}key/{give(browser, desk)}/told", json.dumps(told).encode())
    assert answer.status == 400
    assert sentence in answer.json()["said"]


@pytest.mark.parametrize(
    ("known", "sentence"),
    [
        ({"thickness": "thick"}, "is not a length such as"),
        ({"thickness": "22"}, "between 0.8 and 5 mm"),
        ({"blank": "moon-1"}, "There is no blank “moon-1”"),
        ({"cuts": {"1": "deep!"}}, "is not a cut and its code"),
        ({"cuts": {"0": "1"}}, "is not a cut and its code"),
        ({"cuts": {"19": "1"}}, "No known blade has these cuts"),
        ({"working_keys": "-1"}, "as a number, 0 to 100"),
        ({"codes": "3-5-2\nnot a bitting at all"}, "The code list, line 2: 'not a bitting at all' is not a bitting"),
        ({"codes": "\x00\uffff" * 999}, "The code list, line 1"),
        ({"codes": "# nothing"}, "The code list holds no bitting"),
        ({"codes": "1" * 3_100_000}, "larger than 3 MB"),
    ],
)
def test_what_cant_be_known_is_answered_in_words(
    browser: Client, desk: str, known: dict[str, object], sentence: str
) -> None:
    answer = browser.post(f"{desk}key/{give(browser, desk)}/known", json.dumps(known).encode())
    assert answer.status in (400, 413)
    assert sentence in answer.json()["said"]
    assert len(answer.json()["said"]) < 250


def test_what_is_no_object_is_refused(browser: Client, desk: str) -> None:
    answer = browser.post(f"{desk}key/{give(browser, desk)}/known", b"{")
    assert (answer.status, answer.json()["said"]) == (400, "What was sent can't be read.")


@pytest.mark.parametrize("keys", [None, [], ["guessed", "guessed"], 7, [None]])
def test_photos_that_are_not_there_are_not_read_together(browser: Client, desk: str, keys: object) -> None:
    answer = browser.post(f"{desk}together", json.dumps({"keys": keys}).encode())
    assert answer.status == 400
    assert "Choose two to 4 photos" in answer.json()["said"]
