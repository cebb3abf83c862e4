"""``skidhand plugins``: what was found of each kind, and where it comes from."""

from __future__ import annotations

from typing import Annotated

import typer

from skidhand.cli.options import Format, FormatOption
from skidhand.cli.output import print_rows

COLUMNS = ("kind", "name", "module", "distribution")


def command(
    kind: Annotated[str | None, typer.Option("--kind", help="Only this kind, for example detector.")] = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """List payload formats, stores, unit types, detectors and channels.

    \b
    Example:
        skidhand plugins --kind detector
    """
    from skidhand import plugins

    rows = [
        {"kind": plugin.kind, "name": name, "module": plugin.module, "distribution": plugin.distribution}
        for one in ([kind] if kind else plugins.KINDS)
        for name, plugin in sorted(plugins.load(one).items())
    ]
    print_rows(rows, COLUMNS, format)
