"""What must not get in: foreign hosts and origins, no key, paths, bombs, floods, slow and broken sendings, scripts."""

from __future__ import annotations

import concurrent.futures
import contextlib
import http.client
import json
import socket
import struct
import threading
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from digitize.web.guard import Limits
from tests.web.served import Client, plain_photo, served

SMALL = Limits(photo_bytes=400_000, body_bytes=10_000, idle_s=0.5, whole_s=1.5, uploads=3)
KEY = "a-key-of-the-test"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    with served(tmp_path / "patterns", SMALL) as (client, _):
        yield client


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """A page that nothing gets into, so that many may try; beside its folder lies a secret."""
    place = tmp_path_factory.mktemp("closed")
    (place / "secret.pattern.json").write_text("the secret")
    with served(place / "patterns", SMALL) as (client, _):
        yield client
        assert client.get("/api/desk").json == {"docs": []}


def head_of(client: Client) -> bytes:
    """The beginning of a photo's sending."""
    lines = (
        "POST /api/photos?name=a.jpg HTTP/1.1",
        f"host: {client.host}",
        f"origin: http://{client.host}",
        "x-digitize: 1",
    )
    return "".join(f"{line}\r\n" for line in lines).encode()


def kept_out(answer_body: bytes) -> bool:
    told = json.loads(answer_body)
    return set(told) == {"problem", "remedy"} and all(told.values())


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:80", ""])
def test_a_foreign_host_is_refused(closed: Client, host: str) -> None:
    for path in ("/", "/api/shop"):
        assert closed.get(path, {"host": host}).status == 400


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", None])
def test_a_foreign_origin_changes_nothing(closed: Client, origin: str | None) -> None:
    answer = closed.post("/api/photos?name=a.jpg", plain_photo(), {"origin": origin})
    assert answer.status == 403 and kept_out(answer.body)
    assert closed.get("/api/desk").json == {"docs": []}


def test_a_form_of_another_page_changes_nothing(closed: Client) -> None:
    assert closed.post("/api/photos?name=a.jpg", plain_photo(), {"x-digitize": None}).status == 403
    assert closed.get("/api/desk").json == {"docs": []}


def test_other_methods_are_refused(closed: Client) -> None:
    for method in ("PUT", "DELETE", "OPTIONS", "PATCH"):
        assert closed._sent(method, "/api/desk", b"", {}).status == 405


def test_no_answer_lets_foreign_pages_or_scripts_in(closed: Client) -> None:
    for path in ("/", "/main.js", "/api/shop", "/nothing"):
        headers = closed.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'self'" in policy and "frame-ancestors 'none'" in policy
        assert "unsafe-eval" not in policy and "script-src 'self';" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert "access-control-allow-origin" not in headers


def test_the_network_needs_the_key(tmp_path: Path) -> None:
    with served(tmp_path, SMALL, KEY) as (client, _):
        for path in ("/", "/api/shop", "/api/desk", "/main.js", "/?key=wrong", "/?key="):
            assert client.get(path).status == 401
        assert client.post("/api/photos?name=a.jpg", plain_photo()).status == 401
        for cookie in ("digitize-key=wrong", "digitize-key=", 'digitize-key="', "x" * 4000):
            assert client.get("/api/shop", {"cookie": cookie}).status == 401
        entrance = client.get(f"/?key={KEY}")
        assert entrance.status == 303 and entrance.headers["location"] == "/"
        cookie = entrance.headers["set-cookie"]
        assert "HttpOnly" in cookie and "SameSite=strict" in cookie
        assert client.get("/api/shop", {"cookie": cookie.partition(";")[0]}).status == 200


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml",
        "/..%2f..%2fpyproject.toml",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/vendor/../../app.py",
        "/..\\app.py",
        "//etc/passwd",
        "/api/patterns/..%2F..%2Fsecret",
        "/api/patterns/../secret",
        "/api/patterns/secret%00",
        "/api/patterns/..%2Fsecret/preview.png",
        "/api/patterns/secret/..%2F..%2Fsecret.pattern.json",
        "/api/desk/..%2F..%2Fsecret",
        "/api/desk/x/pattern.json",
        "/api/jobs/..%2Fsecret",
    ],
)
def test_no_path_leads_out(closed: Client, path: str) -> None:
    answer = closed.get(path)
    assert answer.status in (400, 404, 405)
    assert b"the secret" not in answer.body and b"root:" not in answer.body and b"def page(" not in answer.body


def test_a_names_path_is_only_a_name(tmp_path: Path) -> None:
    with served(tmp_path / "patterns", SMALL) as (client, shop):
        work = client.post("/api/photos?name=..%2F..%2Fetc%2Fpasswd%00.jpg", plain_photo()).json
        assert work["name"] == "passwd"
        assert shop.desk.get(work["id"]).shot.name == "passwd.jpg"  # type: ignore[union-attr]
    assert list(tmp_path.iterdir()) == []


def bomb(width: int, height: int) -> bytes:
    """A PNG that says how large it is, and would take gigabytes to hold (PNG, third edition, 11.2.1; from memory)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")
    )


def test_a_decompression_bomb_is_refused_by_its_header(closed: Client) -> None:
    began = time.perf_counter()
    answer = closed.post("/api/photos?name=bomb.png", bomb(50_000, 50_000))
    assert answer.status == 415 and kept_out(answer.body) and "megapixels" in answer.json["problem"]
    assert time.perf_counter() - began < 1.0


@pytest.mark.parametrize(
    "data", [b"<html><script>alert(1)</script>", b"\xff\xd8\xff\xe0" + bytes(100), b"GIF89a" + bytes(50)]
)
def test_what_is_no_photo_is_refused_in_one_sentence(closed: Client, data: bytes) -> None:
    answer = closed.post("/api/photos?name=a.jpg", data)
    assert answer.status == 415 and kept_out(answer.body)


def test_too_much_is_refused_by_what_it_says_and_by_what_it_sends(client: Client) -> None:
    told = client.post("/api/photos?name=a.jpg", b"x", {"content-length": str(10**9)})
    assert told.status == 413
    with socket.create_connection(("127.0.0.1", client.port), timeout=10) as wire:
        wire.sendall(head_of(client) + b"transfer-encoding: chunked\r\n\r\n")
        answer = b""
        with pytest.raises(OSError):  # the server stops reading, and says why
            for _ in range(10_000):
                wire.sendall(b"4000\r\n" + bytes(0x4000) + b"\r\n")
                wire.setblocking(False)
                with contextlib.suppress(BlockingIOError):
                    answer = wire.recv(1000)
                wire.settimeout(10)
                if answer:
                    raise OSError
        assert answer.startswith(b"HTTP/1.1 413")
    assert client.post("/api/desk/x/edit", b"[" * 20_000).status == 413


def test_a_slow_sending_is_ended(client: Client) -> None:
    for pause, limit in ((None, SMALL.idle_s), (0.2, SMALL.whole_s)):
        with socket.create_connection(("127.0.0.1", client.port), timeout=10) as wire:
            wire.sendall(head_of(client) + b"content-length: 100000\r\n\r\n")
            began, answer = time.perf_counter(), b""
            wire.settimeout(pause or 10)
            while not answer and time.perf_counter() - began < 8:
                try:
                    if pause:
                        wire.sendall(b"x")
                    answer = wire.recv(1000)
                except TimeoutError:
                    continue
            assert answer.startswith(b"HTTP/1.1 408") and limit <= time.perf_counter() - began < limit + 2


def test_a_broken_sending_leaves_nothing(client: Client) -> None:
    photo = plain_photo()
    with socket.create_connection(("127.0.0.1", client.port), timeout=10) as wire:
        wire.sendall(head_of(client) + f"content-length: {len(photo)}\r\n\r\n".encode() + photo[: len(photo) // 2])
    time.sleep(0.3)
    assert client.get("/api/desk").json == {"docs": []}
    assert client.post("/api/photos?name=a.jpg", photo[: len(photo) // 2]).status == 415  # told its own length, and cut
    assert client.post("/api/photos?name=a.jpg", photo).status == 201


def test_two_hundred_at_once_are_served_or_told_to_wait(client: Client) -> None:
    photo = plain_photo()

    def send(_: int) -> int:
        try:
            return client.post("/api/photos?name=a.jpg", photo).status
        except (ConnectionError, http.client.HTTPException):
            return 0

    with concurrent.futures.ThreadPoolExecutor(200) as crowd:
        statuses = list(crowd.map(send, range(200)))
    assert set(statuses) <= {201, 503} and statuses.count(201) >= 1
    assert len(client.get("/api/desk").json["docs"]) <= 12
    assert client.post("/api/photos?name=a.jpg", photo).status == 201  # and afterwards all is well


@pytest.mark.parametrize(
    "body",
    [
        b"{",
        b"[]",
        b'{"do": "move", "to": [1e999, 0]}',
        b'{"do": "move", "to": [NaN, 0]}',
        b'{"do": "erase"}',
        b'{"do": "move", "loop": -1}',
        b'{"do": "move", "surprise": 1}',
        b'{"do": "redraw", "path": ' + json.dumps([[0, 0]] * 6000).encode()[:9000] + b"}",
    ],
)
def test_a_request_that_makes_no_sense_is_told_so(client: Client, body: bytes) -> None:
    work = client.post("/api/photos?name=a.jpg", plain_photo()).json
    answer = client.post(f"/api/desk/{work['id']}/edit", body)
    assert answer.status in (409, 422) and kept_out(answer.body)


def test_jobs_are_bounded(tmp_path: Path) -> None:
    with served(tmp_path, SMALL) as (client, shop):
        work = client.post("/api/photos?name=a.jpg", plain_photo()).json
        gate = threading.Event()
        shop.jobs.start(lambda progress: gate.wait(20) and None, "something else")
        statuses = [client.post(f"/api/desk/{work['id']}/trace", {"thickness": "6"}).status for _ in range(12)]
        gate.set()
        assert statuses.count(202) == 7 and statuses.count(503) == 5
