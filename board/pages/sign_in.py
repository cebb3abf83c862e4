"""Signing in and out, the one-time link that sets a password, and the choice of language."""

from __future__ import annotations

import re
from datetime import timedelta
from functools import lru_cache
from typing import Annotated, Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from board import when
from board.access import COOKIE, audit, client_of, from_elsewhere, may_write
from board.errors import RefusedError
from board.house import House, house_of
from board.render import LANGUAGE_COOKIE, render, words_of
from board.viewer import Viewer
from board.words import languages
from skidhand.logbook.board import SESSION

router = APIRouter(include_in_schema=False)
LEAST_CHARS: Final = 12
MOST_CHARS: Final = 256
NAME: Final = re.compile(r"[A-Za-z0-9._-]{1,64}")
YEAR_S: Final = 31_536_000


@lru_cache(maxsize=1)
def hasher() -> PasswordHasher:
    """Argon2id with the library's own parameters, which follow RFC 9106."""
    return PasswordHasher()


@lru_cache(maxsize=1)
def nobodys() -> str:
    """A hash that is tried for names that do not exist, so that they take as long as others."""
    return hasher().hash("nobody")


@router.get("/sign-in")
def form(request: Request, next: str = "/") -> Response:
    """The form."""
    return render(request, "sign_in.html", None, next=_inside(next), wrong="")


@router.post("/sign-in")
def sign_in(
    request: Request,
    name: Annotated[str, Form(max_length=64)],
    password: Annotated[str, Form(max_length=MOST_CHARS)],
    next: Annotated[str, Form()] = "/",
) -> Response:
    """Check name and password; every try is in the audit."""
    from_elsewhere(request)
    house, client, t = house_of(request), client_of(request), words_of(request)
    wait = house.limit.wait_s(name, client)
    if wait > 0:
        wrong = t("sign-in.wait", span=when.span(timedelta(seconds=wait), t))
        return render(request, "sign_in.html", None, status=429, next=_inside(next), wrong=wrong)
    if not right(house, name, password):
        house.limit.failed(name, client)
        audit(request, name, {"result": "refused"})
        return render(request, "sign_in.html", None, status=403, next=_inside(next), wrong=t("sign-in.wrong"))
    house.limit.succeeded(name)
    audit(request, name, {"result": "signed in"})
    answer = RedirectResponse(_inside(next), status_code=303)
    secret = house.logbook.sessions.begin(name)
    answer.set_cookie(COOKIE, secret, max_age=int(SESSION.total_seconds()), httponly=True, samesite="lax",
                      secure=request.url.scheme == "https")  # fmt: skip
    return answer


@router.post("/sign-out")
def sign_out(request: Request, _: Annotated[Viewer, Depends(may_write("customer"))]) -> Response:
    """Sign this viewer out."""
    house_of(request).logbook.sessions.end(request.cookies.get(COOKIE, ""))
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.delete_cookie(COOKIE)
    return answer


@router.get("/set-up/{secret}")
def set_up_form(request: Request, secret: str) -> Response:
    """Where the holder of a link sets a password."""
    return render(request, "set_up.html", None, name=_invited(request, secret), wrong="", least=LEAST_CHARS)


@router.post("/set-up/{secret}")
def set_up(
    request: Request,
    secret: str,
    password: Annotated[str, Form(max_length=MOST_CHARS)],
    again: Annotated[str, Form(max_length=MOST_CHARS)],
    name: Annotated[str, Form(max_length=64)] = "",
) -> Response:
    """Set it; without users this makes the first one, an administrator."""
    from_elsewhere(request)
    house, t = house_of(request), words_of(request)
    invited = _invited(request, secret)
    chosen = invited or name.strip()
    wrong = weakness(password, again)
    if wrong or not NAME.fullmatch(chosen):
        said = t(wrong, n=LEAST_CHARS) if wrong else t("password.bad-name")
        return render(request, "set_up.html", None, status=422, name=invited, wrong=said, least=LEAST_CHARS)
    if (invited is None and house.logbook.users.any()) or not house.logbook.users.redeem(secret):
        raise RefusedError("this link has been used", 404)
    if invited is None and house.logbook.users.get(chosen) is None:
        house.logbook.users.add(chosen, "admin", None)
    house.logbook.users.set_password(chosen, hasher().hash(password))
    audit(request, chosen, {"result": "password set by link"})
    return render(request, "sign_in.html", None, next="/", wrong=t("password.done"))


@router.get("/language/{code}")
def language(request: Request, code: str) -> Response:
    """Remember a language, and go back to where the choice was made."""
    back = request.headers.get("referer", "")
    host = f"{request.url.scheme}://{request.url.netloc}"
    answer = RedirectResponse(_inside(back.removeprefix(host)), status_code=303)
    if code in languages():
        answer.set_cookie(LANGUAGE_COOKIE, code, max_age=YEAR_S, httponly=True, samesite="lax")
    return answer


def right(house: House, name: str, password: str) -> bool:
    """True when it is that user's password; takes as long when it is not."""
    user = house.logbook.users.get(name)
    known = user.password if user is not None and user.active and user.password else None
    try:
        return hasher().verify(known or nobodys(), password) and known is not None
    except (VerificationError, InvalidHashError):
        return False


def weakness(password: str, again: str) -> str:
    """The key of what is wrong with a new password; empty when nothing is."""
    if len(password) < LEAST_CHARS:
        return "password.short"
    return "password.differ" if password != again else ""


def _invited(request: Request, secret: str) -> str | None:
    found = house_of(request).logbook.users.invited(secret)
    if found is None:
        raise RefusedError("this link has been used, or is too old", 404)
    return found[0]


def _inside(target: str) -> str:
    """A path of ours; anything that would lead elsewhere becomes the fleet page."""
    return target if re.fullmatch(r"/(?![/\\])[\x21-\x7e]*", target) else "/"
