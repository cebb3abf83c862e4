"""``skidhand demo``: the whole job in one go, on invented data."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer


def command(
    seed: Annotated[int | None, typer.Option("--seed", min=0, help="Instead of the scenario's own.")] = None,
    hours: Annotated[float | None, typer.Option("--hours", min=1.0, help="Only the first simulated hours.")] = None,
    skids: Annotated[int | None, typer.Option("--skids", min=1, help="Only the first skids.")] = None,
    data: Annotated[
        Path | None, typer.Option("--data", file_okay=False, metavar="DIR", help="Where it is left (./demo-data).")
    ] = None,
    board: Annotated[
        bool, typer.Option("--board/--no-board", help="Leave the board open on it, if somebody is at the keyboard.")
    ] = True,
) -> None:
    """Show the main job: simulate, publish, ingest, analyse, prompt, compare with the truth, open the board.

    Exit status 1: something planted was missed, something false was called, or a sample was lost.

    \b
    Example:
        skidhand demo --seed 3 --hours 48
    """
    from skidhand.demo import run_demo

    # Nobody could end it where nobody is at the keyboard.
    stays = board and sys.stdin.isatty() and sys.stdout.isatty()
    raise typer.Exit(run_demo(seed=seed, hours=hours, skids=skids, data=data, board=stays))
