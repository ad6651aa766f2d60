"""``digitize web``: the page at the bench, served by this computer to this computer, or to the shop's network."""

from __future__ import annotations

import os
import secrets
import socket
from pathlib import Path
from typing import Annotated
from webbrowser import open_new_tab

import segno
import typer
import uvicorn

from digitize.commands.shelf import PATTERNS, Folder
from digitize.model.errors import FileError, InputError
from digitize.web.app import Shop, page
from digitize.web.guard import Door

PORT = 8640
HERE = "127.0.0.1"
KEY_BYTES = 18
MOST_AT_ONCE = 64  # connections
CLOSING_S = 2  # that open streams are given when the page is ended
SOMEWHERE = ("192.0.2.1", 9)  # never sent to (RFC 5737): asks only which of our addresses a route would take


def web_command(
    port: Annotated[int, typer.Option(min=1, max=65535, help="The port that the page is served at.")] = PORT,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
    lan: Annotated[
        bool, typer.Option("--lan", help="Also for a phone in the shop's network; a key keeps others out.")
    ] = False,
    folder: Folder = PATTERNS,
) -> None:
    """Serve the page at the bench: from a photo to a kept, printed pattern, by looking and touching."""
    _check_folder(folder)
    address = _network_address() if lan else HERE
    door = Door(_hosts(address, port), secrets.token_urlsafe(KEY_BYTES) if lan else None)
    shop = Shop(folder)
    with _bound(address, port) as listening:
        url = f"http://{address}:{port}/" + (f"?key={door.key}" if door.key else "")
        print(f"The page is at {url}\nPress Ctrl+C to end it; what is on the desk and was not kept is gone then.")
        if lan:
            print("Whoever can read the network can read this page: use it only where you trust everybody.")
            segno.make(url, micro=False).terminal(compact=True)
        if browser:
            open_new_tab(url)
        config = uvicorn.Config(
            page(shop, door),
            log_level="warning",
            ws="none",
            lifespan="off",
            server_header=False,
            limit_concurrency=MOST_AT_ONCE,
            timeout_graceful_shutdown=CLOSING_S,
        )
        try:
            uvicorn.Server(config).run(sockets=[listening])
        finally:
            shop.jobs.close()


def _check_folder(folder: Path) -> None:
    """Whether patterns can be kept in a folder, or it can be made; nothing is made yet. Raises FileError."""
    there = next(path for path in (folder.absolute(), *folder.absolute().parents) if os.path.lexists(path))
    if not there.is_dir():
        raise FileError(f"“{there}” is not a folder, so no pattern can be kept there", "name another with --folder")
    if not os.access(there, os.W_OK | os.X_OK):
        what = "cannot be written to" if there == folder.absolute() else "cannot be made"
        raise FileError(f"The folder “{folder}” {what}, so no pattern can be kept", "name another with --folder")


def _hosts(address: str, port: int) -> frozenset[str]:
    names = {address} if address != HERE else {HERE, "localhost"}
    return frozenset({f"{name}:{port}" for name in names} | (names if port == 80 else set()))


def _bound(address: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
        listening.listen()  # from now on the browser may come
    except OSError as error:
        listening.close()
        raise InputError(f"Port {port} cannot be used ({error.strerror})", "give another, like --port 8641") from error
    return listening


def _network_address() -> str:
    """This computer's address in its network; raises InputError where it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(SOMEWHERE)
            return str(probe.getsockname()[0])
        except OSError as error:
            raise InputError(
                "This computer is in no network", "connect it to the shop's network, or leave out --lan"
            ) from error
