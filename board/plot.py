"""Panels as stretched SVG: the picture fits any screen, and all lettering is HTML beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup

from board import when
from board.marks import Mark
from board.trend import Panel, scale_of
from board.words import Words

W: Final = 1000.0
H: Final = 100.0
LANE: Final = 9.0

LANES: Final = {
    "finding": "trend.finding", "prompt": "trend.prompt", "gap": "trend.gap", "stop": "trend.stop",
    "wash": "trend.wash", "entry": "trend.entry",
}  # fmt: skip
"""Sorts of marks from the top down, and their words."""

LEVELS: Final = ("", "low", "medium", "high")

Y = Callable[[float], float]
"""Where a value stands in the picture."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A panel ready for the page. ``scale`` from the top down; ``data`` is read by the page's script."""

    tag: str
    note: str
    unit: str
    scale: tuple[str, str, str]
    svg: Markup
    data: str
    rows: tuple[tuple[datetime, str, str, str], ...]
    empty: bool


def draw(panel: Panel, unit: str, said: str, *, limit: float | None = None) -> Drawn:
    """One panel: band from least to most, line of the mean, gaps, a limit if it is in reach."""
    known = [value for value in (*panel.low, *panel.high, *panel.mean) if value is not None]
    if not known:
        return Drawn(panel.tag, panel.instrument.note, unit, ("", "", ""), Markup(""), "", (), empty=True)
    near = limit is not None and max(known) * 2.0 >= limit > 0
    low, high = scale_of([*known, *([limit] if near and limit is not None else [])])
    step = W / len(panel.mean)

    def y(value: float) -> float:
        return H - (value - low) / (high - low) * H

    parts = [_gap(first * step, last * step) for first, last in panel.gaps()]
    parts += [_band(run, panel, step, y) for run in _runs(panel.mean)]
    if near and limit is not None:
        parts.append(f'<path class="limit" d="M0 {y(limit):.1f}H{W:.0f}"/>')
    parts.append(f'<path class="mean" d="{"".join(_line(run, panel, step, y) for run in _runs(panel.mean))}"/>')
    svg = Markup(
        '<svg class="trend" viewBox="0 0 1000 100" preserveAspectRatio="none" role="img" aria-label="{}">{}</svg>'
    ).format(said, Markup("".join(parts)))
    middle = when.figure((low + high) / 2.0)
    return Drawn(
        panel.tag,
        panel.instrument.note,
        unit,
        (when.figure(high), middle, when.figure(low)),
        svg,
        ",".join("" if value is None else f"{value:.5g}" for value in panel.mean),
        tuple(_rows(panel)),
        empty=False,
    )


def lanes_of(marks: Sequence[Mark]) -> list[str]:
    """The sorts of marks that there are, in the order of their lanes."""
    return [sort for sort in LANES if any(mark.sort == sort for mark in marks)]


def lanes(marks: Sequence[Mark], start: datetime, end: datetime, said: str) -> Markup:
    """What happened, as bars above the panels: each sort in its own lane, with its own look."""
    used = lanes_of(marks)
    if not used:
        return Markup("")
    whole = (end - start).total_seconds()
    parts = []
    for mark in sorted(marks, key=lambda mark: LEVELS.index(mark.level)):  # the most severe is drawn last, on top
        x = max(0.0, (mark.start - start).total_seconds() / whole * W)
        until = W if mark.end is None else min(W, (mark.end - start).total_seconds() / whole * W)
        top = used.index(mark.sort) * LANE + 1
        parts.append(
            f'<rect class="{mark.sort}{f" l-{mark.level}" if mark.level else ""}" x="{x:.1f}" y="{top:.0f}" '
            f'width="{max(2.0, until - x):.1f}" height="{LANE - 2:.0f}"/>'
        )
    return Markup(
        '<svg class="trend lanes n{}" viewBox="0 0 1000 {}" preserveAspectRatio="none" role="img" '
        'aria-label="{}">{}</svg>'
    ).format(len(used), int(len(used) * LANE), said, Markup("".join(parts)))


def ticks(start: datetime, end: datetime, zone: ZoneInfo, t: Words) -> list[str]:
    """Five times from start to end, as short as the span allows."""
    whole = end - start
    moments = [start + whole * share / 4 for share in range(5)]
    if whole <= timedelta(days=2):
        return [f"{t.weekdays[m.astimezone(zone).weekday()]} {m.astimezone(zone):%H:%M}" for m in moments]
    year = whole > timedelta(days=300)
    return [
        f"{here.day} {t.months[here.month - 1]}{f' {here.year}' if year else ''}"
        for here in (m.astimezone(zone) for m in moments)
    ]


def _runs(values: Sequence[float | None]) -> list[tuple[int, int]]:
    """[first, last) of what stands together."""
    runs, begin = [], None
    for at, value in enumerate((*values, None)):
        if value is not None and begin is None:
            begin = at
        elif value is None and begin is not None:
            runs.append((begin, at))
            begin = None
    return runs


def _line(run: tuple[int, int], panel: Panel, step: float, y: Y) -> str:
    points = [f"{(at + 0.5) * step:.1f} {y(value):.1f}" for at in range(*run) if (value := panel.mean[at]) is not None]
    return f"M{points[0]}h.1" if len(points) == 1 else f"M{'L'.join(points)}"


def _band(run: tuple[int, int], panel: Panel, step: float, y: Y) -> str:
    low = [(at, value) for at in range(*run) if (value := panel.low[at]) is not None]
    high = [(at, value) for at in range(*run) if (value := panel.high[at]) is not None]
    if len(high) < 2:
        return ""
    points = [f"{(at + 0.5) * step:.1f} {y(value):.1f}" for at, value in (*high, *reversed(low))]
    return f'<path class="band" d="M{"L".join(points)}Z"/>'


def _gap(x: float, until: float) -> str:
    return f'<rect class="gap" x="{x:.1f}" y="0" width="{until - x:.1f}" height="100"/>'


def _rows(panel: Panel) -> list[tuple[datetime, str, str, str]]:
    """At most 48 rows, evenly taken, for the table under the picture."""
    stride = max(1, len(panel.mean) // 48)
    rows = []
    for at in range(0, len(panel.mean), stride):
        values = (panel.low[at], panel.mean[at], panel.high[at])
        shown = ["" if value is None else when.figure(value) for value in values]
        rows.append((panel.start + timedelta(seconds=at * panel.width), shown[0], shown[1], shown[2]))
    return rows
