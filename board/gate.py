"""Around every request: secure headers, and no service but to this host while there are no users."""

from __future__ import annotations

from typing import Any, Final

from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from board.access import is_loopback

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
NO_USERS: Final = (
    "This board has no users yet, so it answers only this host. Open the set-up link that it printed when it "
    "started, or make the first user with: skidhand board --add-user NAME --role admin\n"
)


class SecureHeaders:
    """Adds HEADERS, and over HTTPS the order to stay there."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "private, no-cache")
                if scope.get("scheme") == "https":
                    headers.setdefault("Strict-Transport-Security", "max-age=31536000")
            await send(message)

        await self.app(scope, receive, with_headers)


class LoopbackUntilUsers:
    """While there are no users, whoever is not on this host is refused.

    A name that is not this host's own in ``Host`` is refused too (a foreign page may have pointed its name
    at 127.0.0.1), and so is what a proxy passes on.
    """

    def __init__(self, app: ASGIApp, house: Any) -> None:
        self.app = app
        self._house = house
        self._users = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "http" and not self._users:
            self._users = await run_in_threadpool(self._house.logbook.users.any)
            if not self._users and not _from_here(scope):
                await PlainTextResponse(NO_USERS, 403)(scope, receive, send)
                return
        await self.app(scope, receive, send)


def _from_here(scope: Scope) -> bool:
    headers = Headers(scope=scope)
    host = headers.get("host", "")
    name = host.rpartition(":")[0] if ":" in host and not host.endswith("]") else host
    client = scope.get("client")
    proxied = "x-forwarded-for" in headers or "forwarded" in headers
    return not proxied and is_loopback(name) and client is not None and is_loopback(client[0])
