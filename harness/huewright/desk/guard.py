"""Who may ask: only a page that this server itself gave out, by its token, and under its own name.

Another page open in the same browser can send requests to 127.0.0.1, and a name that was made to point there can read
the answers. So every request must carry the token in its path, name this very host and port, and, where the browser
says where it comes from, come from here. Sources: RFC 6454 (the origin); W3C Fetch Metadata Request Headers.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from starlette.responses import PlainTextResponse

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
                               "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer", "X-Content-Type-Options": "nosniff", "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()"}
REFUSED = "huewright: this is not the address that was printed; copy it from the terminal, with all that is in it.\n"
MOST_BYTES = 100_000


def new_token() -> str:
    """32 random bytes, as a path may hold them."""
    return secrets.token_urlsafe(32)


class Guard:
    """Lets requests for ``/TOKEN/...`` at ``host`` through to ``app``, as ``/...``; everything else ends here."""

    def __init__(self, app: App, token: str, host: str) -> None:
        self._app, self._token, self._host = app, token, host

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        path = str(scope["path"])
        _, token, rest = (path.split("/", 2) + ["", ""])[:3]
        if not secrets.compare_digest(token.encode(), self._token.encode()) or not self._from_here(scope):
            await PlainTextResponse(REFUSED, 403, headers=HEADERS)(scope, receive, send)
            return
        inner = {**scope, "path": f"/{rest}", "raw_path": f"/{rest}".encode(), "root_path": ""}
        await self._app(inner, receive, _with_headers(send))

    def _from_here(self, scope: Scope) -> bool:
        given: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            given.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        asks = scope["method"] != "GET"
        origins = given.get("origin", [])
        return (given.get("host") == [self._host] and all(origin == f"http://{self._host}" for origin in origins)
                and all(site in ("same-origin", "none") for site in given.get("sec-fetch-site", []))
                and not (asks and given.get("content-type") != ["application/json"])
                and sum(int(size) if size.isdigit() else MOST_BYTES + 1
                        for size in given.get("content-length", [])) <= MOST_BYTES)


def _with_headers(send: Send) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            own = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
            message = {**message, "headers": [*message.get("headers", []), *own]}
        await send(message)

    return sending
