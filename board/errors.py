"""What goes wrong in a request, told once: a page for people, RFC 9457 for programs."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse, Response
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from board.render import render
from skidhand.errors import NotFoundError, SkidhandError, UserError

PROBLEM = "application/problem+json"
API = "/api/"


class ProblemDetails(BaseModel):
    """An error (RFC 9457). ``errors`` names each field of the request that is wrong."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str = ""
    errors: list[dict[str, Any]] | None = None


class NotSignedInError(Exception):
    """Nobody knows who asks."""


class RefusedError(Exception):
    """Known, and not allowed; or the request is not one that we take."""

    def __init__(self, detail: str, status: int = 403) -> None:
        super().__init__(detail)
        self.detail = detail
        self.status = status


def install(app: FastAPI) -> None:
    """Answer every error in the one form that fits who asked."""
    app.add_exception_handler(NotSignedInError, _not_signed_in)
    app.add_exception_handler(RefusedError, _refused)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(SkidhandError, _ours)


def _not_signed_in(request: Request, _: Exception) -> Response:
    if request.url.path.startswith(API):
        answer = _told(request, 401, "sign in, or send a token")
        answer.headers["WWW-Authenticate"] = "Bearer"
        return answer
    target = request.url.path if request.method == "GET" else "/"
    return RedirectResponse(f"/sign-in?next={target}", status_code=303)


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, RefusedError)
    return _told(request, error.status, error.detail)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    answer = _told(request, error.status_code, "" if error.detail == _phrase(error.status_code) else str(error.detail))
    answer.headers.update(error.headers or {})
    return answer


def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    errors = [{"where": ".".join(map(str, one["loc"])), "what": one["msg"]} for one in error.errors()]
    return _told(request, 422, "; ".join(f"{one['where']}: {one['what']}" for one in errors), errors)


def _ours(request: Request, error: Exception) -> Response:
    status = 404 if isinstance(error, NotFoundError) else 422 if isinstance(error, UserError) else 503
    if status == 503:
        structlog.get_logger().error("request failed", path=request.url.path, why=str(error))
    return _told(request, status, str(error))


def _told(request: Request, status: int, detail: str, errors: list[dict[str, Any]] | None = None) -> Response:
    problem = ProblemDetails(title=_phrase(status), status=status, detail=detail, errors=errors)
    if request.url.path.startswith(API):
        return JSONResponse(problem.model_dump(exclude_none=True), status, media_type=PROBLEM)
    return render(request, "error.html", None, status=status, problem=problem)


def _phrase(status: int) -> str:
    return HTTPStatus(status).phrase
