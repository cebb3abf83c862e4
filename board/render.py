"""Pages from templates: everything escaped, nothing inline, every word from the viewer's language."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from board import when
from board.words import Words, languages, preferred, words_in
from skidhand.units import label

if TYPE_CHECKING:
    from board.viewer import Role, Viewer

STATIC: Final = Path(__file__).parent / "static"
LANGUAGE_COOKIE: Final = "skidhand_language"


@dataclass(frozen=True, slots=True)
class Nav:
    """A page's place in the menu: its path, its word's key, the least role that sees it, and its order."""

    path: str
    key: str
    role: Role = "look"
    order: int = 50


MENU: list[Nav] = []
"""Every page's place, in order; filled when the app is made."""


def language_of(request: Request) -> str:
    """The language that the viewer chose, else the browser's."""
    chosen = request.cookies.get(LANGUAGE_COOKIE)
    return chosen if chosen in languages() else preferred(request.headers.get("accept-language", ""))


def words_of(request: Request) -> Words:
    """The words for this request."""
    return words_in(language_of(request))


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates: autoescaping, and a name that is not given is an error."""
    env = Environment(
        loader=PackageLoader("board"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    env.globals.update(static=static, stamp=when.stamp, full=when.full, span=when.span)
    env.filters.update(figure=when.figure, unit=unit)
    return env


@lru_cache(maxsize=32)
def static(name: str) -> str:
    """The address of a file in ``static/``; it changes with the file, so that nobody sees an old one."""
    return f"/static/{name}?v={hashlib.sha256((STATIC / name).read_bytes()).hexdigest()[:12]}"


SHOWN: Final = {"Cel": "°C", "[degF]": "°F", "[gal_us]": "gal", "[lb_av]": "lb", "[ppm]": "ppm"}
"""Units that a text message writes otherwise or not at all."""


def unit(code: str) -> str:
    """A unit for the screen, as people write it: ``m³/h``, ``µm``, ``°C``; UCUM stays in exports and the API."""
    text = SHOWN.get(code) or label(code)
    text = re.sub(r"\[(gal|bbl|lb|in|ft)_\w+\]|[\[\]{}]", r"\1", text)
    return re.sub(r"\bu(?=[A-Za-z])", "µ", text).replace("m3", "m³").replace("m2", "m²")


def render(
    request: Request, template: str, viewer: Viewer | None, *, status: int = 200, **context: Any
) -> HTMLResponse:
    """The page of ``template``; ``viewer`` None shows it without menu."""
    return HTMLResponse(html(request, template, viewer, **context), status)


def html(request: Request, template: str, viewer: Viewer | None, **context: Any) -> str:
    """The text of :func:`render`."""
    t = words_of(request)
    menu = [item for item in MENU if viewer is not None and viewer.may(item.role)]
    return (
        environment()
        .get_template(template)
        .render(
            t=t,
            viewer=viewer,
            menu=menu,
            path=request.url.path,
            languages=[words_in(one) for one in languages()],
            **context,
        )
    )
