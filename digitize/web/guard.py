"""Who may talk to the page, and how much: hosts, origins, the key for the shop's network, sizes and patience.

A page elsewhere can make a browser send requests here. So every request must name a host that is ours, every change
must come from our own page and carry a header that no foreign form can send, and over the network it takes a key.
"""

from __future__ import annotations

import asyncio
import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from digitize.web.words import fault

COOKIE = "digitize-key"
HEADER = "x-digitize"
SAFE = ("GET", "HEAD")
POLICY = (
    "default-src 'self'; img-src 'self' blob: data:; style-src 'self' 'unsafe-inline'; script-src 'self'; "
    "worker-src blob:; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


@dataclass(frozen=True)
class Limits:
    """How much is taken in.

    photo_bytes, body_bytes : of a photo, and of any other request
    idle_s, whole_s : longest wait for the next bytes, and for all of them
    uploads : at once
    """

    photo_bytes: int = 60_000_000
    body_bytes: int = 1_000_000
    idle_s: float = 20.0
    whole_s: float = 300.0
    uploads: int = 3


@dataclass(frozen=True)
class Door:
    """hosts : values of the Host header that are ours; key : asked of everybody, None where nobody else can connect."""

    hosts: frozenset[str]
    key: str | None = field(default=None, repr=False)


class Guard:
    """Stands before the page's own application."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app, self._door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":  # no web sockets here
            return
        request = Request(scope)
        refusal = self._refusal(request)

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = {k for k, _ in message["headers"]}
                message["headers"] += [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in own]
            await send(message)

        await (refusal or self._app)(scope, receive, send_guarded)

    def _refusal(self, request: Request) -> Response | None:
        host, method = request.headers.get("host", ""), request.method
        if host not in self._door.hosts:
            return PlainTextResponse("This page is not served under that name.", 400)
        if self._door.key is not None and not _same(_cookie(request), self._door.key):
            return self._entrance(request)
        if method in SAFE:
            return None
        if method != "POST":
            return PlainTextResponse("Nothing here answers to that.", 405)
        if request.headers.get("origin") != f"http://{host}" or request.headers.get(HEADER) != "1":
            return JSONResponse(fault("That did not come from this page", "use the page itself"), 403)
        return None

    def _entrance(self, request: Request) -> Response:
        """The key in the address becomes a cookie, and leaves the address."""
        query = dict(parse_qsl(request.url.query))
        key = self._door.key or ""
        if request.method not in SAFE or not _same(query.get("key", ""), key):
            return PlainTextResponse("Open this page with the address or the code that the shop's computer shows.", 401)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, key, httponly=True, samesite="strict")
        return answer


def _cookie(request: Request) -> str:
    try:
        found = SimpleCookie(request.headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode("utf-8", "replace"), other.encode())


class Refused(HTTPException):
    """A request that is not served, with its sentence."""

    def __init__(self, status: int, problem: str, remedy: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(status, problem, headers)
        self.remedy = remedy


async def body_of(request: Request, most: int, limits: Limits) -> bytes:
    """The whole body, once it is here; raises Refused where it is too large or too slow."""
    told = request.headers.get("content-length", "0")
    if not told.isdecimal() or int(told) > most:
        raise _too_large(most)
    body = bytearray()
    try:
        async with asyncio.timeout(limits.whole_s):
            chunks = request.stream().__aiter__()
            while True:
                async with asyncio.timeout(limits.idle_s):
                    chunk = await anext(chunks, None)
                if chunk is None:
                    return bytes(body)
                body += chunk
                if len(body) > most:
                    raise _too_large(most)
    except TimeoutError as error:
        raise Refused(408, "The sending took too long", "try again, nearer to the network") from error
    except ClientDisconnect as error:
        raise Refused(400, "The sending broke off", "try again") from error


def _too_large(most: int) -> Refused:
    return Refused(413, f"That is larger than {most / 1e6:g} MB, the most that is taken", "send a smaller file")
