"""Writes reports: HTML and PDF with pictures, a CSV behind each figure, and statements that stay as they were sent."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analytics.export_files import harmless
from analytics.report_figures import Figures, SkidFigures, Volume
from skidhand.errors import UserError
from skidhand.logbook import Logbook
from skidhand.model.statement import Statement, digest_of
from skidhand.units import label

SUFFIXES: Final = (".html", ".pdf")
DASH: Final = "\u2013"
EPOCH: Final = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip can tell: equal figures, equal bytes


def freeze(book: Logbook, figures: Figures, *, now: datetime, who: str) -> Statement:
    """The statement of this subject and period; where figures have changed since the last, a new correction."""
    told = figures.model_dump(mode="json")
    key = f"{figures.subject} {figures.period}"
    return book.statements.freeze(Statement(key=key, issued=now, who=who, digest=digest_of(told), figures=told))


def write_report(figures: Figures, out: Path, *, statement: Statement | None = None) -> list[Path]:
    """Write the report to ``out`` (.html or .pdf) and its CSV files beside it in a zip; what was written."""
    if out.suffix.lower() not in SUFFIXES:
        raise UserError(f"--out {out}: the name must end in {' or '.join(SUFFIXES)}")
    text = html(figures, statement)
    if out.suffix.lower() == ".pdf":
        from weasyprint import HTML  # type: ignore[import-untyped]

        HTML(string=text).write_pdf(out)
    else:
        out.write_text(text, encoding="utf-8")
    beside = out.with_name(out.stem + "-csv.zip")
    with zipfile.ZipFile(beside, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in tables(figures).items():
            archive.writestr(zipfile.ZipInfo(name, EPOCH), body)
    return [out, beside]


def html(figures: Figures, statement: Statement | None = None) -> str:
    """The report as one file without scripts or links."""
    env = Environment(loader=PackageLoader("skidhand"), autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    env.globals.update(number=number, percent=percent, volume=_volume, label=label)
    pictures = [Markup(picture(skid)) for skid in figures.skids]
    return env.get_template("report.html").render(f=figures, head=_head(statement), pictures=pictures)


def _head(statement: Statement | None) -> str:
    if statement is None:
        return "preliminary: not sent, figures may change"
    when = f"{statement.issued:%Y-%m-%d %H:%M} UTC"
    return f"statement of {when}" if statement.number == 0 else f"correction {statement.number}, of {when}"


def number(value: float) -> str:
    """A figure for people; the CSV has all of its digits."""
    return f"{value:,.0f}".replace(",", "\u202f") if abs(value) >= 1000 else f"{value:.4g}"


def percent(share: float | None) -> str:
    """A share in percent, or a dash."""
    return DASH if share is None else f"{100.0 * share:.1f} %"


def _volume(volume: Volume | None) -> str:
    return DASH if volume is None else f"{number(volume.total)} {label(volume.unit)}"


def picture(skid: SkidFigures) -> str:
    """Treated volume a day, and mean oil of the day against its limit, as SVG; empty where there are no days."""
    if not skid.days:
        return ""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    names = [day.day[5:] for day in skid.days]
    style: dict[Any, Any] = {
        "font.size": 8.0,
        "svg.fonttype": "none",
        "svg.hashsalt": "skidhand",
        "font.family": "DejaVu Sans",
    }
    with rc_context(style):
        drawn = Figure(figsize=(7.0, 2.0), layout="constrained")
        FigureCanvasAgg(drawn)
        left, right = drawn.subplots(1, 2)
        left.bar(names, [day.treated or 0.0 for day in skid.days], color="#8a9099", width=0.7)
        left.set_title(f"Treated, {label(skid.treated.unit) if skid.treated else ''} a day", loc="left")
        right.plot(names, [float("nan") if d.oil is None else d.oil for d in skid.days], color="#1f5f8b", marker=".")
        right.set_title("Oil, mean of the day", loc="left")
        for quality in skid.quality:
            if quality.name == "oil":
                right.axhline(quality.limit, color="#7a7a7a", linestyle="--", label="limit")
                right.set_title(f"Oil, mean of the day, {label(quality.unit)} (dashed: limit)", loc="left")
        right.set_ylim(bottom=0)
        for axis in (left, right):
            axis.spines[["top", "right"]].set_visible(False)
            axis.set_xticks(range(0, len(names), max(1, len(names) // 6)))
        out = io.StringIO()
        drawn.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def tables(figures: Figures) -> dict[str, bytes]:
    """File name → CSV (RFC 4180): all figures in full, days, runs and events."""
    return {
        "figures.csv": _csv(("skid", "figure", "value", "unit"), _flat(figures)),
        **{
            f"{part}.csv": _csv_of([
                {"skid": skid.skid, **row.model_dump(mode="json")}
                for skid in figures.skids
                for row in getattr(skid, part)
            ])
            for part in ("days", "runs", "events", "quality")
        },
    }  # fmt: skip


def _flat(figures: Figures) -> Iterator[Sequence[Any]]:
    for skid in figures.skids:
        for name in ("treated", "received"):
            volume: Volume | None = getattr(skid, name)
            told = {} if volume is None else volume.model_dump(exclude={"tag", "unit"})
            for figure, value in told.items():
                counted = figure in ("rollovers", "resets", "integrated_share")
                yield skid.skid, f"{name}.{figure}", value, "1" if counted or volume is None else volume.unit
        base = skid.received or skid.treated
        wash = base.unit if base else ""
        plain = {"recovery": "1", "backwash": wash, "backwash_share": "1", "oil_caught_kg": "kg", "oil_minutes": "min",
                 "in_service_h": "h", "completeness": "1", "calls": "1", "false_calls": "1"}  # fmt: skip
        yield from ((skid.skid, figure, getattr(skid, figure), unit) for figure, unit in plain.items())


def _csv_of(rows: Sequence[Mapping[str, Any]]) -> bytes:
    names = tuple(rows[0]) if rows else ("skid",)
    return _csv(names, ([row[name] for name in names] for row in rows))


def _csv(names: Sequence[str], rows: Any) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(names)
    for row in rows:
        writer.writerow([harmless(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue().encode()
