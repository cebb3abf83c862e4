"""The API's description: OpenAPI 3.1, of the API alone."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from board.errors import ProblemDetails


def documented(app: FastAPI) -> dict[str, Any]:
    """The document, made once."""
    if app.openapi_schema is None:
        schema = get_openapi(
            title=app.title, version=app.version, summary=app.summary, routes=app.routes, openapi_version="3.1.0"
        )
        parts = schema.setdefault("components", {})
        parts.setdefault("schemas", {})["ProblemDetails"] = ProblemDetails.model_json_schema()
        cookie = {"type": "apiKey", "in": "cookie", "name": "skidhand_session"}
        parts.setdefault("securitySchemes", {})["session"] = cookie
        app.openapi_schema = schema
    return app.openapi_schema
