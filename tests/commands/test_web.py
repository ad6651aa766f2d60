"""``digitize web`` as it is started and ended."""

import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from digitize.cli import main

PATIENCE_S = 30.0


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def started(tmp_path: Path, *options: str) -> tuple[subprocess.Popen[str], str]:
    """The running command, and the address that it prints."""
    command = [sys.executable, "-m", "digitize", "web", "--no-browser", "--port", str(free_port()), *options]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1", "PYTHONPATH": os.pathsep.join(sys.path)}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    running = subprocess.Popen(command, cwd=tmp_path, env=environment, text=True, **pipes)  # type: ignore[call-overload]
    assert running.stdout
    address = re.search(r"http://\S+", running.stdout.readline())
    assert address
    return running, address[0]


def status(url: str) -> int:
    try:
        with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def ended(running: subprocess.Popen[str]) -> str:
    """What it said while it was ended by the keyboard."""
    running.send_signal(signal.SIGINT)
    said = running.communicate(timeout=PATIENCE_S)
    assert running.returncode in (0, 130)
    return said[1]


def test_the_page_is_served_here_and_ended_by_the_keyboard(tmp_path: Path) -> None:
    running, address = started(tmp_path)
    assert address.startswith("http://127.0.0.1:") and "key" not in address
    assert status(address) == 200 and status(f"{address}api/patterns") == 200
    assert ended(running) == ""
    assert list(tmp_path.iterdir()) == []  # looking leaves nothing


def test_the_network_gets_a_key_that_is_new_each_time(tmp_path: Path) -> None:
    keys = set()
    for _ in range(2):
        running, address = started(tmp_path, "--lan")
        plain, _, key = address.partition("?key=")
        assert status(plain) == 401 and status(f"{plain}?key={key[:-1]}") == 401
        assert len(key) >= 20
        keys.add(key)
        assert ended(running) == ""
    assert len(keys) == 2


def test_a_port_in_use_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        assert main(["web", "--no-browser", "--port", str(port)]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"Port {port} cannot be used") and said.count("\n") == 1


@pytest.mark.parametrize("folder", ["taken", "taken/patterns", "hanging"])
def test_a_folder_that_cannot_be_made_is_told_before_the_page_is_served(
    folder: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("taken").write_text("a file")
    Path("hanging").symlink_to("nowhere")
    assert main(["web", "--no-browser", "--folder", folder]) == 2
    said = capsys.readouterr()
    assert "is not a folder" in said.err and "--folder" in said.err
    assert said.err.count("\n") == 1 and said.out == ""


@pytest.mark.parametrize(("folder", "told"), [("shop", "cannot be written to"), ("shop/new/one", "cannot be made")])
def test_a_folder_that_is_closed_is_told_before_the_page_is_served(
    folder: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("shop").mkdir()
    monkeypatch.setattr(os, "access", lambda _, mode: not mode & os.W_OK)  # root is let in everywhere
    assert main(["web", "--no-browser", "--folder", folder]) == 2
    said = capsys.readouterr()
    assert f"The folder “{folder}” {told}" in said.err and said.err.count("\n") == 1 and said.out == ""
