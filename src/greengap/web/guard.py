"""The door of the local page: who may come in, how much they may carry, what the browser is told.

The page is for one person on one machine. Its address holds a random token as the first part of the path, so
that no other page can guess it; there are no cookies, so nothing is sent along by a browser unasked. Host and
Origin are checked all the same: a name that is made to point here (DNS rebinding) gets no answer, nor does a
write that comes from another page.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Awaitable, Callable, Iterable
from typing import Any

MOST_BODY = 1_000_000  # bytes of an ordinary request
MOST_FILE = 200_000_000  # bytes of an imported file
IMPORTS = "/api/import/"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), payment=(), usb=(), geolocation=(self)",
    "cache-control": "no-store",
}
READS = {"GET", "HEAD"}

Scope = dict[str, Any]
Receive = Callable[[], Awaitable[dict[str, Any]]]
Send = Callable[[dict[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


class TooLarge(Exception):
    """A body beyond its limit."""


class Guard:
    """ASGI middleware in front of everything.

    Parameters
    ----------
    app : ASGI app
        Gets the path without the token.
    token : str
        First part of every path.
    hosts : iterable of str
        Values of the Host header that are answered, with port.
    """

    def __init__(self, app: App, token: str, hosts: Iterable[str]) -> None:
        self.app, self.token, self.hosts = app, token, frozenset(h.lower() for h in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or turn away."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        reason = self._turned_away(scope, headers)
        if reason:
            await _answer(send, *reason)
            return
        first = "/" + self.token
        if scope["path"] == first:  # the page names its parts relative to itself
            await send(
                {"type": "http.response.start", "status": 308, "headers": [(b"location", (first + "/").encode())]}
            )
            await send({"type": "http.response.body", "body": b""})
            return
        inner = dict(scope)
        inner["path"] = scope["path"][len(first) :]
        inner["raw_path"], inner["root_path"] = inner["path"].encode(), ""
        limit = MOST_FILE if inner["path"].startswith(IMPORTS) else MOST_BODY
        try:
            declared = int(headers.get("content-length", "0"))
        except ValueError:
            declared = 0
        if declared > limit:
            await _answer(send, 413, "too_large", f"More than {limit:,} bytes.")
            return
        seen, begun, refused = 0, False, False

        async def counted() -> dict[str, Any]:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > limit:
                raise TooLarge
            return message

        async def dressed(message: dict[str, Any]) -> None:
            nonlocal begun, refused
            if seen > limit:  # whatever the app made of it
                if not begun and not refused:
                    refused = True
                    await _answer(send, 413, "too_large", f"More than {limit:,} bytes.")
                return
            if message["type"] == "http.response.start":
                begun = True
                given = {k.lower() for k, _ in message.get("headers", [])}
                extra = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in given]
                message = {**message, "headers": [*message.get("headers", []), *extra]}
            await send(message)

        try:
            await self.app(inner, counted, dressed)
        except TooLarge:
            if not begun and not refused:
                await _answer(send, 413, "too_large", f"More than {limit:,} bytes.")

    def _turned_away(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str, str] | None:
        host = headers.get("host", "").lower()
        if host not in self.hosts:
            return 421, "host", "This address is not served here."
        token = scope["path"].split("/", 2)[1] if scope["path"].startswith("/") else ""
        if not secrets.compare_digest(token.encode(), self.token.encode()):
            return 404, "token", "Open the address that the program has printed; it holds a key of its own."
        if scope["method"] in READS:
            return None
        if scope["method"] == "OPTIONS":
            return 403, "origin", "Other pages may not write here."
        origin, site = headers.get("origin"), headers.get("sec-fetch-site")
        if origin is not None and origin.lower() != f"http://{host}":
            return 403, "origin", "Other pages may not write here."
        if site is not None and site != "same-origin":
            return 403, "origin", "Other pages may not write here."
        if headers.get("x-greengap") != "1":  # a form or a picture of another page cannot set it
            return 403, "header", "Requests that write carry the header X-Greengap: 1."
        return None


async def _answer(send: Send, status: int, kind: str, sentence: str) -> None:
    body = json.dumps({"kind": kind, "sentence": sentence}).encode()
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    headers += [(k.encode(), v.encode()) for k, v in HEADERS.items()]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
