"""The page served for tests, by the same server as ``digitize web``, and a small client that behaves like the page."""

from __future__ import annotations

import http.client
import io
import json
import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import uvicorn
from PIL import Image

from digitize.web.app import Shop, page
from digitize.web.guard import Door, Limits

PATIENCE_S = 60.0


@dataclass
class Answer:
    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Client:
    """Sends what the page sends; ``headers`` of a call replace its own, None leaves one out."""

    port: int

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    def get(self, path: str, headers: Mapping[str, str | None] | None = None) -> Answer:
        return self._sent("GET", path, None, headers or {})

    def post(self, path: str, body: Any = None, headers: Mapping[str, str | None] | None = None) -> Answer:
        data = body if isinstance(body, bytes) else json.dumps({} if body is None else body).encode()
        return self._sent("POST", path, data, headers or {})

    def _sent(self, method: str, path: str, body: bytes | None, headers: Mapping[str, str | None]) -> Answer:
        own = {"host": self.host} | ({"origin": f"http://{self.host}", "x-digitize": "1"} if method == "POST" else {})
        told = {k: v for k, v in {**own, **headers}.items() if v is not None}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in told.items():
                connection.putheader(name, value)
            if body is not None and "transfer-encoding" not in told and "content-length" not in told:
                connection.putheader("content-length", str(len(body)))
            connection.endheaders(body)
            response = connection.getresponse()
            return Answer(response.status, {k.lower(): v for k, v in response.getheaders()}, response.read())
        finally:
            connection.close()

    def traced(self, photo: bytes, name: str, **told: Any) -> dict[str, Any]:
        """The work that a photo became."""
        work = self.post(f"/api/photos?name={name}", photo).json
        job = self.post(f"/api/desk/{work['id']}/trace", told).json["job"]
        last = [line for line in self.get(f"/api/jobs/{job}").body.decode().splitlines() if line.startswith("data:")][
            -1
        ]
        assert json.loads(last[5:])["state"] == "done", last
        done: dict[str, Any] = self.get(f"/api/desk/{work['id']}").json
        return done


@contextmanager
def served(folder: Path, limits: Limits | None = None, key: str | None = None) -> Iterator[tuple[Client, Shop]]:
    """The page over a folder of patterns, at a free port of this computer."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        shop = Shop(folder, limits or Limits())
        door = Door(frozenset({f"127.0.0.1:{port}"}), key)
        config = uvicorn.Config(
            page(shop, door), log_level="warning", ws="none", lifespan="off", timeout_graceful_shutdown=1
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        try:
            yield Client(port), shop
        finally:
            server.should_exit = True
            thread.join(PATIENCE_S)
            shop.jobs.close()


def plain_photo(width: int = 640, height: int = 480) -> bytes:
    """A photo of nothing, as JPEG."""
    shades = np.random.default_rng(1).integers(90, 160, (height, width, 3), np.uint8)
    stream = io.BytesIO()
    Image.fromarray(shades).save(stream, "JPEG")
    return stream.getvalue()
