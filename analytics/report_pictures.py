"""The pictures of a report, as SVG drawn by matplotlib: equal figures, equal bytes."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from analytics.report_figures import Figures, SkidFigures
from analytics.report_lines import sign
from analytics.report_totals import BARREL, days
from analytics.report_words import ReportWords

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STYLE: Final[dict[Any, Any]] = {
    "font.size": 8.0, "svg.fonttype": "none", "svg.hashsalt": "skidhand", "font.family": "DejaVu Sans",
}  # fmt: skip


def picture(skid: SkidFigures, t: ReportWords) -> str:
    """Treated volume a day, and mean oil of the day against its limit; what was not measured has no picture."""
    names = [day.day[5:] for day in skid.days]
    volumes, oils = [day.treated for day in skid.days], [day.oil for day in skid.days]
    known = [any(value is not None for value in values) for values in (volumes, oils)]
    if not any(known):
        return ""
    with _drawn(sum(known)) as (drawn, axes):
        rest = list(axes)
        if known[0]:
            title = t("a_day", unit=sign(skid.treated.unit) if skid.treated else "")
            _bars(rest.pop(0), names, [value or 0.0 for value in volumes], title)
        if known[1]:
            _oil(rest.pop(0), skid, names, oils, t)
        return _svg(drawn)


def fleet_picture(figures: Figures, t: ReportWords) -> str:
    """Barrels treated a day by all parts."""
    told = days(figures)
    if not told:
        return ""
    with _drawn(1) as (drawn, (axis,)):
        _bars(axis, [day[5:] for day in told], list(told.values()), t("a_day", unit=sign(BARREL)))
        return _svg(drawn)


@contextmanager
def _drawn(count: int) -> Iterator[tuple[Figure, Sequence[Axes]]]:
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with rc_context(STYLE):
        drawn = Figure(figsize=(7.0, 2.0), layout="constrained")
        FigureCanvasAgg(drawn)
        yield drawn, list(drawn.subplots(1, count, squeeze=False)[0])


def _bars(axis: Axes, names: Sequence[str], values: Sequence[float], title: str) -> None:
    axis.bar(list(names), list(values), color="#8a9099", width=0.7)
    _frame(axis, names, title)


def _oil(axis: Axes, skid: SkidFigures, names: Sequence[str], oils: Sequence[float | None], t: ReportWords) -> None:
    axis.plot(list(names), [float("nan") if oil is None else oil for oil in oils], color="#1f5f8b", marker=".")
    oil = next((q for q in skid.quality if q.name == "oil"), None)
    title = t("oil_day", unit=sign(oil.unit if oil else skid.days[0].oil_unit))
    if oil is not None:
        axis.axhline(oil.limit, color="#7a7a7a", linestyle="--")
        title += f" {t('dashed')}"
    axis.set_ylim(bottom=0)
    _frame(axis, names, title)


def _frame(axis: Axes, names: Sequence[str], title: str) -> None:
    axis.set_title(title, loc="left")
    axis.spines[["top", "right"]].set_visible(False)
    axis.set_xlim(-0.8, max(len(names), 7) - 0.2)  # a single day is a bar, not a wall
    axis.set_xticks(range(0, len(names), max(1, -(-len(names) // 7))))


def _svg(drawn: Figure) -> str:
    out = io.StringIO()
    drawn.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]
