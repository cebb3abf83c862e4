"""``skidhand board``: the web pages and the HTTP API."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from skidhand.cli.options import (
    LogbookOption,
    SettingsOption,
    StoreOption,
    open_logbook,
    open_store,
    settings_from,
    talk,
)
from skidhand.errors import UserError

if TYPE_CHECKING:
    from skidhand.logbook import Logbook
    from skidhand.settings import Board


def command(
    host: Annotated[str | None, typer.Option("--host", metavar="ADDRESS", help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option("--port", min=0, max=65535, help="TCP port; 0: any free one.")] = None,
    open_: Annotated[
        bool | None, typer.Option("--open", help="While there are no users, anybody on this host may look.")
    ] = None,
    add_user: Annotated[
        str | None, typer.Option("--add-user", metavar="NAME", help="Make this user, print their link, and end.")
    ] = None,
    role: Annotated[str, typer.Option("--role", help="Role of --add-user.")] = "admin",
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Serve the board. Without users it answers this host only, and prints a link that makes the first one.

    \b
    Example:
        skidhand board --port 8380
    """
    from board.serve import serve
    from skidhand import log

    settings = settings_from(
        settings_file,
        store=store,
        logbook=logbook,
        more={"board.host": host, "board.port": port, "board.open": open_},
    )
    book, clock = open_logbook(settings)
    with book:
        if add_user is not None:
            _add(book, settings.board, add_user, role)
            return
        log.set_up(settings.log, service="board")
        opened = open_store(settings)
        try:
            serve(opened, book, settings.board, clock, say=talk)
        finally:
            opened.close()


def _add(book: Logbook, board: Board, name: str, role: str) -> None:
    from board.pages.sign_in import NAME
    from board.viewer import ROLES

    if role not in ROLES:
        raise UserError(f"--role {role!r}: there are {', '.join(ROLES)}")
    if not NAME.fullmatch(name):
        raise UserError(f"--add-user {name!r}: a name is 1 to 64 letters, digits, dots, dashes or underscores")
    if book.users.get(name) is None:
        book.users.add(name, role, None)
        book.audit.add("command line", "this host", "add user", name=name, role=role)
    talk(f"A link for {name}; it sets a password once, within a day:")
    scheme = "https" if board.cert else "http"
    typer.echo(f"{scheme}://{board.host}:{board.port}/set-up/{book.users.invite(name)}")
