"""One's own account: password and signing out."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from board.access import COOKIE, Anybody, client_of, may_write
from board.errors import RefusedError
from board.house import house_of
from board.pages.sign_in import LEAST_CHARS, MOST_CHARS, hasher, right, weakness
from board.render import Nav, render, words_of
from board.viewer import Viewer

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/account", "nav.account", role="customer", order=90)


@router.get("/account")
def account(request: Request, viewer: Anybody) -> Response:
    """The page."""
    return render(request, "account.html", viewer, said="", least=LEAST_CHARS)


@router.post("/account")
def change_password(
    request: Request,
    viewer: Annotated[Viewer, Depends(may_write("customer"))],
    old: Annotated[str, Form(max_length=MOST_CHARS)],
    password: Annotated[str, Form(max_length=MOST_CHARS)],
    again: Annotated[str, Form(max_length=MOST_CHARS)],
) -> Response:
    """Change the password; every session of this user ends."""
    house, t, client = house_of(request), words_of(request), client_of(request)
    if viewer.via != "session":
        raise RefusedError("a token has no password")
    if house.limit.wait_s(viewer.name, client) > 0:
        raise RefusedError("too many failures; wait a quarter of an hour", 429)
    wrong = weakness(password, again)
    if not wrong and not right(house, viewer.name, old):
        house.limit.failed(viewer.name, client)
        wrong = "password.old-wrong"
    if wrong:
        said = t(wrong, n=LEAST_CHARS) if wrong == "password.short" else t(wrong)
        return render(request, "account.html", viewer, status=422, said=said, least=LEAST_CHARS)
    house.logbook.users.set_password(viewer.name, hasher().hash(password))
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.delete_cookie(COOKIE)
    return answer
