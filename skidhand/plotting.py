"""The evidence of a finding as a picture, drawn from what the finding itself carries. Alerts and board use it alike.

Light, greys, and one accent for the series that the finding speaks of. Where nothing is known the line breaks.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from skidhand.model.finding import Finding, Trace
from skidhand.units import label

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ACCENT: Final = "#1f5f8b"
GREYS: Final = ("#444444", "#7a7a7a", "#a6a6a6", "#c4c4c4")
LIMITS: Final = ("limit", "terminal", "usual", "expected")
"""How the name ends of a number that is drawn as a level, where its unit is the panel's."""

PANELS: Final = 4
WIDTH_IN: Final = 6.4
PANEL_IN: Final = 1.7
DPI: Final = 110

_STYLE: Final[dict[Any, Any]] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],  # comes with matplotlib, so that a picture is the same on any machine
    "font.size": 8.0,
    "axes.edgecolor": "#999999",
    "axes.labelcolor": "#444444",
    "xtick.color": "#444444",
    "ytick.color": "#444444",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "skidhand",
}


def evidence_png(finding: Finding, tz: ZoneInfo) -> bytes:
    """The picture as PNG; times are those of ``tz``. Equal findings give equal pictures."""
    return _drawn(finding, tz, "png")


def evidence_svg(finding: Finding, tz: ZoneInfo) -> str:
    """The same picture as SVG, its letters as text."""
    return _drawn(finding, tz, "svg").decode()


def _drawn(finding: Finding, tz: ZoneInfo, kind: str) -> bytes:
    from matplotlib import rc_context

    out = io.BytesIO()
    with rc_context(_STYLE):
        figure = _figure(finding, tz)
        # The time of drawing would make equal pictures differ.
        when = {"Software": None} if kind == "png" else {"Date": None, "Creator": None}
        figure.savefig(out, format=kind, dpi=DPI, metadata=when)
    return out.getvalue()


def _figure(finding: Finding, tz: ZoneInfo) -> Figure:
    """One panel a unit, below each other, with one axis of time."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    panels = _panels(finding.evidence.traces)
    figure = Figure(figsize=(WIDTH_IN, PANEL_IN * max(len(panels), 1) + 0.7), layout="constrained")
    FigureCanvasAgg(figure)
    sure = f"{finding.confidence * 100:.0f} % sure"
    figure.suptitle(f"{finding.skid} {finding.unit}: {finding.kind}, {finding.severity}, {sure}", color="#222222")
    axes = figure.subplots(max(len(panels), 1), 1, sharex=True, squeeze=False)[:, 0]
    if not panels:
        axes[0].text(0.5, 0.5, "no series in evidence", ha="center", va="center", color=GREYS[1])
        axes[0].set_axis_off()
        return figure
    for number, (axis, (unit, traces)) in enumerate(zip(axes, panels, strict=True)):
        _panel(axis, unit, traces, finding, main=number == 0)
    _time_axis(axes[-1], tz)
    return figure


def _panels(traces: Sequence[Trace]) -> list[tuple[str, list[Trace]]]:
    """Traces by unit, in their order; what is beyond PANELS units is left out."""
    by_unit: dict[str, list[Trace]] = {}
    for trace in traces:
        if trace.times:
            by_unit.setdefault(trace.unit, []).append(trace)
    return list(by_unit.items())[:PANELS]


def _panel(axis: Axes, unit: str, traces: Sequence[Trace], finding: Finding, *, main: bool) -> None:
    colours = (ACCENT, *GREYS) if main else GREYS
    for number, trace in enumerate(traces):
        times = [datetime.fromtimestamp(t / 1e6, UTC) for t in trace.times]
        values = [float("nan") if value is None else value for value in trace.values]
        name = trace.name.replace("_", " ") + (f" ({trace.tag})" if trace.tag else "")
        alone = {"marker": "."} if len(times) == 1 else {}
        axis.plot(times, values, color=colours[min(number, len(colours) - 1)], linewidth=1.1, label=name, **alone)  # type: ignore[arg-type]
    for one in finding.evidence.numbers:
        if one.unit == unit and one.name.rpartition("_")[2] in LIMITS:
            axis.axhline(one.value, color=GREYS[1], linewidth=0.9, linestyle="--", label=one.name.replace("_", " "))
    axis.axvline(_day(finding.onset), color=GREYS[0], linewidth=0.9, linestyle=":", label="onset" if main else None)
    if main and finding.forecast is not None:
        span = _day(finding.forecast.low), _day(finding.forecast.high)
        axis.axvspan(*span, color=ACCENT, alpha=0.12, label="expected, 80 %")
    axis.set_ylabel(label(unit))
    axis.legend(loc="upper left", frameon=False, ncols=3, fontsize=7)
    axis.margins(y=0.25)


def _day(moment: datetime) -> float:
    """A moment as matplotlib's axis counts it."""
    from matplotlib.dates import date2num

    return float(date2num(moment))  # type: ignore[no-untyped-call]


def _time_axis(axis: Axes, tz: ZoneInfo) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(tz=tz, minticks=4, maxticks=8)  # type: ignore[no-untyped-call]
    axis.xaxis.set_major_locator(locator)
    axis.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=tz))  # type: ignore[no-untyped-call]
    axis.set_xlabel(tz.key)
