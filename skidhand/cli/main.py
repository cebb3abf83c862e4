"""Joins the commands, and turns our errors into a message and an exit status.

0 fine · 1 the answer is no · 2 wrong use · 3 something outside failed.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

import skidhand
from skidhand.cli import (
    alerts,
    analyze,
    backtest,
    board,
    check,
    demo,
    doctor,
    export,
    findings,
    handover,
    ingest,
    log,
    plugins,
    prompts,
    replay,
    report,
    run,
    score,
    simulate,
    tidy,
    work,
)
from skidhand.errors import OutsideError, SkidhandError

app = typer.Typer(
    name="skidhand",
    help="Historian and anomaly detector for produced-water treatment skids.\n\n\b\nExample:\n    skidhand demo",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

app.command("demo")(demo.command)
app.command("check")(check.command)
app.command("simulate")(simulate.command)
app.command("replay")(replay.command)
app.command("ingest")(ingest.command)
app.command("analyze")(analyze.command)
app.command("alerts")(alerts.command)
app.command("board")(board.command)
app.command("findings")(findings.command)
app.add_typer(prompts.app, name="prompts")
app.command("work")(work.command)
app.command("handover")(handover.command)
app.add_typer(log.app, name="log")
app.command("export")(export.command)
app.command("backtest")(backtest.command)
app.command("score")(score.command)
app.command("report")(report.command)
app.command("run")(run.command)
app.command("tidy")(tidy.command)
app.command("plugins")(plugins.command)
app.command("doctor")(doctor.command)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"skidhand {skidhand.__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[  # its callback has done all
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """What the ``skidhand`` script runs."""
    try:
        app()
    except SkidhandError as error:
        typer.echo(f"skidhand: {error}", err=True)
        sys.exit(error.exit_code)
    except OSError as error:  # a disk that is full, a folder that is not there, a file that nobody may write
        typer.echo(f"skidhand: {f'{error.filename}: {error.strerror}' if error.filename else error}", err=True)
        sys.exit(OutsideError.exit_code)
