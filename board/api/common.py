"""What every resource of the API shares: errors as documented, pages, ETags, who may."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any, Final, Generic, TypeVar

import orjson
from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response
from fastapi.security import HTTPBearer
from pydantic import BaseModel

from board.errors import PROBLEM
from board.viewer import Viewer

T = TypeVar("T")
PREFIX: Final = "/api/v1"
ID: Final = r"^[a-z0-9][a-z0-9-]{0,31}$"
FURTHEST: Final = 1_000_000


def problem(description: str) -> dict[str, Any]:
    """An error in the documentation."""
    schema = {"$ref": "#/components/schemas/ProblemDetails"}
    return {"description": description, "content": {PROBLEM: {"schema": schema}}}


PROBLEMS: Final[dict[int | str, dict[str, Any]]] = {
    304: {"description": "Not changed since the ETag in If-None-Match."},
    401: problem("Nobody is signed in, and there is no valid token."),
    403: problem("The role does not allow it, or a form's secret is missing."),
    404: problem("It is not there, or this viewer may not see it."),
    422: problem("A parameter or the body is wrong; `errors` says where."),
    503: problem("Store or logbook cannot be reached."),
}


def resource(tag: str) -> APIRouter:
    """A router under the API's prefix, with its errors and its security documented."""
    bearer = HTTPBearer(auto_error=False, scheme_name="token", description="A machine token, or a session's cookie.")
    return APIRouter(prefix=PREFIX, tags=[tag], responses=PROBLEMS, dependencies=[Depends(bearer)])


class Paged(BaseModel, Generic[T]):
    """A page of a list. ``next`` is the offset of the page after it, null on the last."""

    items: list[T]
    next: int | None


Limit = Annotated[int, Query(ge=1, le=500, description="at most so many items")]
Offset = Annotated[int, Query(ge=0, le=FURTHEST, description="so many items are passed over")]


def page(found: list[T], limit: int, offset: int) -> dict[str, Any]:
    """A page as a body, from ``limit`` + 1 items that were asked for."""
    return {"items": found[:limit], "next": offset + limit if len(found) > limit else None}


def reply(request: Request, body: Any, status: int = 200) -> Response:
    """``body`` as JSON with its ETag, or 304 when the client has it."""
    data = orjson.dumps(body, default=_plain, option=orjson.OPT_NON_STR_KEYS)
    tag = f'"{hashlib.sha256(data).hexdigest()[:20]}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Cookie, Authorization"}
    if request.method == "GET" and tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return Response(data, status, headers, media_type="application/json")


def sites_for(viewer: Viewer) -> list[str] | None:
    """The sites that this viewer is held to; None for all."""
    return None if viewer.sites is None else sorted(viewer.sites)


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json", by_alias=True)
    raise TypeError(type(value))
