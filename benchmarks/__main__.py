"""``python -m benchmarks ingest|store [--quick] [--json FILE]``: exit 1 when a target does not hold."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rich.console import Console

from benchmarks.harness import group, names, save, show


def main(arguments: list[str]) -> int:
    """Measure one group and print its table; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("group", choices=names())
    parser.add_argument("--quick", action="store_true", help="less data: ends within 50 s")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the rows there too")
    given = parser.parse_args(arguments)
    rows = []
    for row in group(given.group).measure(given.quick):
        sys.stderr.write(f"measured: {row.name}\n")
        rows.append(row)
    show(rows, Console(width=180) if not sys.stdout.isatty() else Console())
    if given.json is not None:
        save(rows, given.json)
    return 1 if any(row.holds is False for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
