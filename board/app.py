"""Makes the app: pages and API around one store and one logbook."""

from __future__ import annotations

import importlib
import pkgutil
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from types import ModuleType

from fastapi import FastAPI
from fastapi.concurrency import run_in_threadpool
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

import board.api
import board.pages
from board import errors
from board.documented import documented
from board.gate import LoopbackUntilUsers, SecureHeaders
from board.house import House
from board.keeping import keep_up, warm_up
from board.render import MENU, STATIC
from skidhand import __version__
from skidhand.clock import Clock
from skidhand.logbook import Logbook
from skidhand.settings import Board
from skidhand.stores.base import Store


def make_app(store: Store, logbook: Logbook, settings: Board, clock: Clock) -> FastAPI:
    """The board over ``store`` and ``logbook``, which it neither opens nor closes.

    Every module of ``board.pages`` and ``board.api`` that has a ``router`` is served; a page with a ``NAV``
    stands in the menu.
    """
    house = House(store, logbook, settings, clock)
    app = FastAPI(
        title="skidhand board",
        version=__version__,
        summary="What the board's pages show, for programs.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
        lifespan=_lifespan,
        separate_input_output_schemas=False,
    )
    app.state.house = house
    app.openapi = lambda: documented(app)  # type: ignore[method-assign]
    errors.install(app)
    for module in (*_modules(board.api), *_modules(board.pages)):
        if hasattr(module, "router"):
            app.include_router(module.router)
    MENU[:] = sorted((m.NAV for m in _modules(board.pages) if hasattr(m, "NAV")), key=lambda item: item.order)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
    app.add_middleware(LoopbackUntilUsers, house=house)
    app.add_middleware(SecureHeaders)
    return app


def _modules(package: ModuleType) -> list[ModuleType]:
    names = sorted(info.name for info in pkgutil.iter_modules(package.__path__))
    return [importlib.import_module(f"{package.__name__}.{name}") for name in names]


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    """Keep the summary fresh and give signs of life while the app is served."""
    house: House = app.state.house
    await run_in_threadpool(warm_up)
    thread = threading.Thread(target=keep_up, args=(house,), name="board", daemon=True)
    thread.start()
    yield
    house.stopping.set()
    thread.join(10.0)
