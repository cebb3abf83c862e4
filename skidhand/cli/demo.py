"""``skidhand demo``: the whole job in one go, on invented data."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another seed is another fleet's luck.")] = 1,
    hours: Annotated[float, typer.Option("--hours", min=1.0, help="Simulated hours.")] = 72.0,
    skids: Annotated[int, typer.Option("--skids", min=1, max=3, help="Simulated skids.")] = 3,
    data: Annotated[
        Path | None, typer.Option("--data", file_okay=False, metavar="DIR", help="Keep store and logbook here.")
    ] = None,
) -> None:
    """Show the main job: simulate, publish, ingest, analyse, prompt, and compare with the truth.

    Exit status 1: something planted was missed, something false was called, or a sample was lost.

    \b
    Example:
        skidhand demo --seed 3 --hours 48
    """
    from skidhand.demo import run_demo

    raise typer.Exit(run_demo(seed=seed, hours=hours, skids=skids, data=data))
