"""Stands before every request: who is it, by which name does it call, how much does it send, what may its answer do.

- Host: only names of this computer are answered, so that a foreign page cannot reach the bench under a name of its own
  (DNS rebinding).
- Origin: what changes something must come from a page of the bench itself.
- Device: this computer on loopback, a paired phone by its cookie, a program by its token. All else sees only the
  pairing page.
- Body: bounded in bytes and in time.
- Answer: strict Content-Security-Policy, nothing cached but the files of the package.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import logging
import time
from collections import Counter
from collections.abc import Iterator
from http.cookies import CookieError, SimpleCookie

from photoscale.errors import PhotoscaleError
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from knurlsight.bench.address import LOOPBACK_NAMES, host_name
from knurlsight.bench.bench import Bench
from knurlsight.bench.devices import Device, computer, device_of_token
from knurlsight.bench.refusals import Refused, RefusedError, of_disk
from knurlsight.bench.submissions import MOST_BYTES, MOST_PHOTOS
from knurlsight.errors import KnurlsightError, StoreError

LOG = logging.getLogger("knurlsight.bench")

COOKIE = "knurlsight_bench"
MOST_FORM_BYTES = 1_000_000
MOST_UPLOAD_BYTES = MOST_PHOTOS * MOST_BYTES + 1_000_000
BODY_S = 300.0
MOST_UPLOADS_EACH = 8
UPLOADS = ("/inspections", "/api/v1/inspections")
OPEN_PATHS = ("/pair", "/static/")
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; media-src 'self' blob:; "
    "connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",  # with no-referrer, browsers send Origin: null
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
}

WRONG_HOST = Refused(
    421, "wrong-host", "this computer is not called by that name here", "open the address that the terminal shows"
)
WRONG_ORIGIN = Refused(403, "wrong-origin", "the request came from a page that is not the bench's", "open the bench")
NOT_PAIRED = Refused(401, "not-paired", "this device is not paired", "open the bench on it and type the code")
NO_TOKEN = Refused(
    401,
    "no-token",
    "a token is wanted: Authorization: Bearer …",
    "make one on the bench computer, under Devices",
    headers={"www-authenticate": "Bearer"},
)


class BodyTooLargeError(Exception):
    """The body went over its bound while it was read."""


class Guard:
    """ASGI middleware; see the module."""

    def __init__(self, app: ASGIApp, bench: Bench) -> None:
        self.app = app
        self.bench = bench
        self.uploading: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = False
        guarded = self._dressed(scope, send)

        async def watched(message: Message) -> None:
            nonlocal begun
            begun = begun or message["type"] == "http.response.start"
            await guarded(message)

        try:
            if (refused := self._refusal(scope)) is not None:
                await self._refuse(scope, receive, watched, refused)
                return
            with self._counted(scope):
                await self.app(scope, self._bounded(scope, receive), watched)
        except Exception as e:
            if begun:  # too late for words: the connection is cut
                LOG.warning("an answer was cut short: %s", type(e).__name__)
                raise ConnectionAbortedError from None
            await self._refuse(scope, receive, watched, refused_for(e))

    @contextlib.contextmanager
    def _counted(self, scope: Scope) -> Iterator[None]:
        """Few uploads of one device at a time: each may fill half a gigabyte of the disk while it arrives."""
        if scope["path"] not in UPLOADS or scope["method"] != "POST":
            yield
            return
        identity = scope["state"]["device"].id
        if self.uploading[identity] >= MOST_UPLOADS_EACH:
            raise RefusedError(
                429, "too-many-uploads", "this device is sending several photos already", "wait", retry_after_s=5
            )
        self.uploading[identity] += 1
        try:
            yield
        finally:
            self.uploading[identity] -= 1
            if not self.uploading[identity]:
                del self.uploading[identity]

    def _refusal(self, scope: Scope) -> Refused | None:
        """Why a request is not let through; None for one that is, with its device in the scope's state."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if host_name(host) not in self.bench.address.hosts or len(headers.getlist("host")) != 1:
            return WRONG_HOST
        if scope["method"] not in SAFE_METHODS:
            origin = headers.get("origin")
            if origin is not None and origin.lower() != f"{self.bench.address.scheme}://{host.lower()}":
                return WRONG_ORIGIN
            if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
                return WRONG_ORIGIN
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > _most_bytes(scope):
            return _too_large(scope)
        path = scope["path"]
        scope.setdefault("state", {})["computer"] = self._is_computer(scope, host)
        device = self._device(scope, headers)
        if device is not None:
            scope["state"]["device"] = device
            return None
        if path.startswith(OPEN_PATHS) or (path == "/api/v1/tokens" and scope["state"]["computer"]):
            return None
        return NO_TOKEN if path.startswith("/api/") else NOT_PAIRED

    def _is_computer(self, scope: Scope, host: str) -> bool:
        client = scope.get("client")
        if client is None or host_name(host) not in LOOPBACK_NAMES:
            return False
        try:
            return ipaddress.ip_address(client[0]).is_loopback
        except ValueError:
            return False

    def _device(self, scope: Scope, headers: Headers) -> Device | None:
        if scope["path"].startswith("/api/"):  # programs never ride on a browser's cookie
            kind, _, token = headers.get("authorization", "").partition(" ")
            return device_of_token(self.bench.folder, token.strip()) if kind.lower() == "bearer" else None
        if scope["state"]["computer"]:
            return computer(self.bench.folder)
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return None
        found = device_of_token(self.bench.folder, morsel.value) if morsel is not None else None
        return found if found is not None and found.kind == "phone" else None

    def _bounded(self, scope: Scope, receive: Receive) -> Receive:
        most, seen, ends = _most_bytes(scope), 0, time.monotonic() + BODY_S
        whole = False

        async def bounded() -> Message:
            nonlocal seen, whole
            if whole:  # waiting for the end of the connection
                return await receive()
            message = await asyncio.wait_for(receive(), max(0.1, ends - time.monotonic()))
            if message["type"] == "http.request":
                seen += len(message.get("body", b""))
                whole = not message.get("more_body", False)
                if seen > most:
                    raise BodyTooLargeError
            return message

        return bounded

    def _dressed(self, scope: Scope, send: Send) -> Send:
        cached = scope["path"].startswith("/static/")

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers["cache-control"] = "public, max-age=31536000, immutable" if cached else "no-store"
                if self.bench.address.https:
                    # no Strict-Transport-Security: with it browsers let nobody past a certificate made here
                    headers.setdefault("cross-origin-opener-policy", "same-origin")
            await send(message)

        return dressed

    async def _refuse(self, scope: Scope, receive: Receive, send: Send, refused: Refused) -> None:
        from knurlsight.bench.refused_page import refused_response

        LOG.info("refused: %s", refused.code)
        await refused_response(scope, refused)(scope, receive, send)


def refused_for(e: Exception) -> Refused:
    """What is said of an exception; a bug is told as one, its details in a file."""
    if (full := of_disk(e)) is not None:
        return full
    match e:
        case RefusedError():
            return e.refused
        case StoreError():
            return Refused(503, "store", e.message, _hint(e.hint, e.message))
        case KnurlsightError():
            return Refused(422, "cannot-be", e.message, _hint(e.hint, e.message))
        case PhotoscaleError():
            return Refused(422, "cannot-be", e.what, e.hint)
        case HTTPException():
            return Refused(e.status_code, "http", str(e.detail), headers=dict(e.headers or {}))
        case BodyTooLargeError():
            return Refused(413, "too-large", "more was sent than the bench takes", "send fewer or smaller photos")
        case TimeoutError():
            return Refused(408, "too-slow", "the photo took too long to arrive", "go nearer to the access point")
    from knurlsight.bug_report import bug_words

    return Refused(500, "bug", bug_words(e), "please report it with that file")


def _hint(hint: str | None, message: str) -> str:
    """A hint that can be followed at the bench and is not said already: a command line is at another place."""
    return "" if hint is None or hint.startswith(("knurlsight ", "--")) or hint in message else hint


def _most_bytes(scope: Scope) -> int:
    return MOST_UPLOAD_BYTES if scope["path"] in UPLOADS else MOST_FORM_BYTES


def _too_large(scope: Scope) -> Refused:
    most = _most_bytes(scope) // 1_000_000
    return Refused(413, "too-large", f"more than the {most} MB that are taken here", "send fewer or smaller photos")
