"""Starting the page: its address, a taken port, missing parts, and another way in for a phone.

The QR code is read back by OpenCV's decoder, which knows nothing of how it was made.
"""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from keyid.commands import page as cli_page
from keyid.commands.cli import main
from keyid.page.app import Entrance
from keyid.page.serve import offer, qr_text
from tests.unit.page_client import Client

KEYID = Path(sys.executable).with_name("keyid")
BLOCKS = {"█": (0, 0), "▀": (0, 255), "▄": (255, 0), " ": (255, 255)}


def test_a_qr_code_in_the_terminal_is_read_back() -> None:
    address = "http://192.0.2.17:8123/enter/0Iv8xYpLq3T-aB_9dE2fGh"
    lines = qr_text(address).splitlines()
    cells = np.array([[BLOCKS[block] for block in line] for line in lines], np.uint8)
    modules = cells.transpose(0, 2, 1).reshape(-1, cells.shape[1])
    picture = cv2.resize(modules, None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST)
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == address


def test_each_way_in_for_a_phone_is_new() -> None:
    entrance, said = Entrance("token", set()), []
    for _ in range(2):
        offer(entrance, "192.0.2.17:8123", said.append)
    assert len(entrance.once) == 2
    assert all(any(token in line for line in said) for token in entrance.once)


def test_the_command_serves_until_it_is_interrupted() -> None:
    with subprocess.Popen([KEYID, "page", "--no-browser"], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        host, _, token = process.stdout.readline().strip().removeprefix("http://").partition("/enter/")
        browser = Client(host)
        assert "Choose photos" in browser.get(browser.enter(token)).text
        process.send_signal(signal.SIGINT)
        assert process.communicate(timeout=20)[0] == "Stopped: everything is forgotten.\n"
        assert process.returncode == 0
    with pytest.raises(OSError, match="refused"):
        browser.get("/")


def test_a_taken_port_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        done = CliRunner().invoke(main, ["page", "--no-browser", "--port", str(taken.getsockname()[1])])
    assert done.exit_code == 1
    assert "The page can't be served on this port" in done.output


def test_missing_parts_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cli_page, "PARTS", ("starlette", "a_part_that_there_is_not"))
    done = CliRunner().invoke(main, ["page", "--no-browser"])
    assert done.exit_code == 1
    assert 'pip install "keyid[page]"' in done.output
