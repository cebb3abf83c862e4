"""What a measurement is, and how it is shown."""

from __future__ import annotations

import importlib
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Protocol, cast

from rich.console import Console
from rich.table import Table

import benchmarks


@dataclass(frozen=True, slots=True)
class Row:
    """One measurement. ``beside`` is the same work done by something else, in the same unit and run.

    ``holds`` is None where the target says nothing, or where the row was skipped and ``note`` says why.
    """

    name: str
    unit: str = ""
    ours: float | None = None
    beside: float | None = None
    target: str = ""
    holds: bool | None = None
    note: str = ""

    @property
    def ratio(self) -> float | None:
        """Ours by what stands beside it."""
        return self.ours / self.beside if self.ours is not None and self.beside else None


class Group(Protocol):
    """A module of measurements."""

    def measure(self, quick: bool) -> Iterator[Row]:
        """Measure; ``quick`` takes less data, and every group together ends within 50 s."""
        ...


def names() -> list[str]:
    """The groups: the modules of this package that measure. None is imported, to keep each one's memory its own."""
    folder = Path(benchmarks.__path__[0])
    return sorted(file.stem for file in folder.glob("*.py") if "\ndef measure(" in file.read_text(encoding="utf-8"))


def group(name: str) -> Group:
    """One group, imported."""
    return cast(Group, importlib.import_module(f"benchmarks.{name}"))


def best_of(times: int, work: Callable[[], Any]) -> float:
    """The least seconds of ``work`` over ``times`` runs: what disturbs one only makes it slower (timeit's advice)."""
    spent = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        spent.append(time.perf_counter() - began)
    return min(spent)


def show(rows: list[Row], console: Console) -> None:
    """The rows as a table."""
    table = Table("name", "ours", "beside", "ratio", "target", "holds", "note")
    for row in rows:
        said = {None: "-", True: "yes", False: "NO"}[row.holds]
        figures = [_number(row.ours, row.unit), _number(row.beside, row.unit), _number(row.ratio, "")]
        table.add_row(row.name, *figures, row.target, said, row.note)
    console.print(table)


def save(rows: list[Row], path: Path) -> None:
    """The rows as JSON."""
    path.write_text(json.dumps([{**asdict(row), "ratio": row.ratio} for row in rows], indent=2), encoding="utf-8")


def _number(value: float | None, unit: str) -> str:
    return "-" if value is None else f"{value:,.3g} {unit}".rstrip() if abs(value) < 1000 else f"{value:,.0f} {unit}"
