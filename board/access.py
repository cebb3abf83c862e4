"""Who may do what: dependencies that pages and the API put before their work.

``Looking`` for what is only read, ``may(role)`` where a role is needed, ``may_write(role)`` before every
write: it checks that the form is ours and leaves an audit row before anything happens.
"""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Awaitable, Callable
from typing import Annotated, Any, Final, cast
from urllib.parse import urlsplit

from fastapi import Depends, Request
from fastapi.concurrency import run_in_threadpool

from board.errors import NotSignedInError, RefusedError
from board.house import house_of
from board.viewer import ANYONE, Role, Viewer

COOKIE: Final = "skidhand_session"
SECRET_FIELDS: Final = frozenset({"csrf", "password", "again", "old"})
AUDITED_CHARS: Final = 300


def viewer_of(request: Request) -> Viewer | None:
    """Who asks, by token or by cookie; None when nobody knows."""
    house = house_of(request)
    scheme, _, secret = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        token = house.logbook.sessions.token(secret.strip())
        if token is None:
            return None
        sites = None if token.sites is None else frozenset(token.sites)
        return Viewer(f"token:{token.name}", cast(Role, token.role), sites, via="token")
    cookie = request.cookies.get(COOKIE)
    session = house.logbook.sessions.get(cookie) if cookie else None
    if session is None:
        return ANYONE if house.settings.open and not house.logbook.users.any() else None
    user = session.user
    sites = None if user.sites is None else frozenset(user.sites)
    return Viewer(user.name, cast(Role, user.role), sites, user.person, session.csrf)


def may(role: Role) -> Callable[[Request], Viewer]:
    """A dependency that gives the viewer, who has at least ``role``."""

    def checked(request: Request) -> Viewer:
        viewer = viewer_of(request)
        if viewer is None:
            raise NotSignedInError
        if not viewer.may(role):
            raise RefusedError(f"this needs the role {role!r}; yours is {viewer.role!r}")
        return viewer

    return checked


def may_write(role: Role) -> Callable[[Request], Awaitable[Viewer]]:
    """As :func:`may`, before a write: the form must be ours, and the audit knows of it first."""
    known = may(role)

    async def checked(request: Request) -> Viewer:
        viewer = await run_in_threadpool(known, request)
        if viewer.via == "open":
            raise RefusedError("without users nothing is written; make the first user by the set-up link")
        from_elsewhere(request)
        fields = await _fields(request)
        if viewer.via == "session":
            given = request.headers.get("x-csrf-token") or str(fields.get("csrf", ""))
            if not hmac.compare_digest(given.encode(), viewer.csrf.encode()):
                raise RefusedError("this form is too old or not ours; load the page again")
        await run_in_threadpool(audit, request, viewer.name, _told(fields))
        return viewer

    return checked


def audit(request: Request, who: str, detail: dict[str, Any]) -> None:
    """An audit row about this request."""
    house_of(request).logbook.audit.add(who, client_of(request), f"{request.method} {request.url.path}", **detail)


def from_elsewhere(request: Request) -> None:
    """RefusedError when another site's page sent this."""
    origin = request.headers.get("origin")
    if origin and urlsplit(origin).netloc != request.headers.get("host"):
        raise RefusedError("this was sent from another site's page")


def client_of(request: Request) -> str:
    """The address that asks, as the server knows it."""
    return request.client.host if request.client else "unknown"


def is_loopback(host: str) -> bool:
    """True for ``localhost`` and loopback addresses, with or without brackets."""
    name = host.strip("[]")
    try:
        return name == "localhost" or ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


async def _fields(request: Request) -> dict[str, Any]:
    kind = request.headers.get("content-type", "")
    if kind.startswith(("application/x-www-form-urlencoded", "multipart/form-data")):
        return dict(await request.form())
    if kind.startswith("application/json"):
        try:
            body = await request.json()
        except ValueError:
            return {}
        return body if isinstance(body, dict) else {}
    return {}


def _told(fields: dict[str, Any]) -> dict[str, Any]:
    return {name: str(value)[:AUDITED_CHARS] for name, value in fields.items() if name not in SECRET_FIELDS}


Looking = Annotated[Viewer, Depends(may("look"))]
"""Anybody but a customer."""

Anybody = Annotated[Viewer, Depends(may("customer"))]
"""Customers too: give them only what :class:`Viewer` says they may see."""
