"""For the administrator: users, machine tokens, and the audit."""

from __future__ import annotations

import re
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from board.access import may, may_write
from board.house import House, house_of
from board.pages.sign_in import NAME
from board.render import Nav, render
from board.viewer import ROLES, Viewer
from skidhand.errors import NotFoundError, UserError

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/users", "nav.users", role="admin", order=80)
AUDIT_ROWS: Final = 200

Admin = Annotated[Viewer, Depends(may("admin"))]
Writing = Annotated[Viewer, Depends(may_write("admin"))]
Text = Annotated[str, Form(max_length=1000)]


@router.get("/users")
def users(request: Request, viewer: Admin) -> Response:
    """The page."""
    return _page(request, viewer)


@router.get("/audit")
def audit(request: Request, viewer: Admin) -> Response:
    """What was written through the board, newest first."""
    rows = house_of(request).logbook.audit.newest(AUDIT_ROWS)
    return render(request, "audit.html", viewer, rows=rows)


@router.post("/users")
def add_user(
    request: Request, viewer: Writing, name: Text, role: Text, sites: Text = "", person: Text = ""
) -> Response:
    """Make a user, and the link with which they set their password."""
    book, house = house_of(request).logbook.users, house_of(request)
    if not NAME.fullmatch(name):
        raise UserError(f"name {name!r}: 1 to 64 letters, digits, dots, dashes or underscores")
    book.add(name, _role(role), _sites(house, sites), _person(house, person))
    return _page(request, viewer, invited=name, link=_link(request, book.invite(name)))


@router.post("/users/{name}")
def change_user(
    request: Request,
    viewer: Writing,
    name: str,
    role: Text,
    sites: Text = "",
    person: Text = "",
    active: Text = "",
) -> Response:
    """Change what a user may; signs them out."""
    house = house_of(request)
    if name == viewer.name and (role != "admin" or not active):
        raise UserError("nobody takes their own administration away; let another administrator do it")
    house.logbook.users.change(
        name, role=_role(role), sites=_sites(house, sites), person=_person(house, person), active=bool(active)
    )
    return RedirectResponse("/sign-in" if name == viewer.name else "/users", status_code=303)


@router.post("/users/{name}/link")
def new_link(request: Request, viewer: Writing, name: str) -> Response:
    """A new link for a user; an earlier one is dead."""
    book = house_of(request).logbook.users
    if book.get(name) is None:
        raise NotFoundError(f"there is no user {name!r}")
    return _page(request, viewer, invited=name, link=_link(request, book.invite(name)))


@router.post("/tokens")
def add_token(request: Request, viewer: Writing, name: Text, role: Text, sites: Text = "", days: Text = "") -> Response:
    """Make a machine token; it is shown this once."""
    house = house_of(request)
    if not NAME.fullmatch(name):
        raise UserError(f"name {name!r}: 1 to 64 letters, digits, dots, dashes or underscores")
    if days and not re.fullmatch(r"[1-9]\d{0,3}", days):
        raise UserError(f"days {days!r}: 1 to 9999, or nothing")
    span = int(days) if days else None
    token = house.logbook.sessions.add_token(name, _role(role), _sites(house, sites), viewer.name, span)
    return _page(request, viewer, token=token)


@router.post("/tokens/{name}/drop")
def drop_token(request: Request, viewer: Writing, name: str) -> Response:
    """Revoke a token."""
    del viewer
    house_of(request).logbook.sessions.drop_token(name)
    return RedirectResponse("/users", status_code=303)


def _page(request: Request, viewer: Viewer, *, invited: str = "", link: str = "", token: str = "") -> Response:
    house = house_of(request)
    fleet = house.fleet().fleet
    return render(
        request,
        "users.html",
        viewer,
        users=house.logbook.users.all(),
        tokens=house.logbook.sessions.tokens(),
        roles=ROLES,
        sites=[site.id for site in fleet.sites],
        people=[person.id for person in fleet.roster.people],
        invited=invited,
        link=link,
        token=token,
    )


def _link(request: Request, secret: str) -> str:
    return f"{request.url.scheme}://{request.url.netloc}/set-up/{secret}"


def _role(role: str) -> str:
    if role not in ROLES:
        raise UserError(f"role {role!r}: there are {', '.join(ROLES)}")
    return role


def _sites(house: House, text: str) -> list[str] | None:
    """Sites divided by commas or spaces; None for all."""
    wanted = [part for part in re.split(r"[,\s]+", text) if part]
    known = {site.id for site in house.fleet().fleet.sites}
    unknown = sorted(set(wanted) - known)
    if unknown:
        raise UserError(f"sites {', '.join(unknown)}: there are {', '.join(sorted(known))}")
    return wanted or None


def _person(house: House, text: str) -> str | None:
    people = [person.id for person in house.fleet().fleet.roster.people]
    if text and text not in people:
        raise UserError(f"person {text!r} is not on the roster; there are {', '.join(people) or 'nobody'}")
    return text or None
