"""A report as a document: HTML and PDF with pictures, and a CSV behind each figure."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analytics.export_files import harmless
from analytics.report_figures import Figures, SkidFigures, Volume
from analytics.report_lines import amount, lines, number, percent, quality_lines, quality_title, sign
from analytics.report_words import ReportWords, Trade
from skidhand.model.statement import Statement

EPOCH: Final = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip can tell: equal figures, equal bytes


def html(figures: Figures, trade: Trade, statement: Statement | None = None) -> str:
    """The report as one file without scripts or links, in the language of ``trade``."""
    t = ReportWords(trade.language)
    env = Environment(loader=PackageLoader("skidhand"), autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    env.globals.update(number=number, percent=percent, amount=amount, lines=lines, t=t, trade=trade,
                       quality_title=quality_title, quality_lines=quality_lines)  # fmt: skip
    pictures = [Markup(picture(skid, t)) for skid in figures.skids]
    return env.get_template("report.html").render(f=figures, head=head(statement, t), pictures=pictures)


def pdf(text: str) -> bytes:
    """The PDF of :func:`html`'s text; nothing is fetched for it."""
    from weasyprint import HTML  # type: ignore[import-untyped]

    written: bytes = HTML(string=text).write_pdf()
    return written


def head(statement: Statement | None, t: ReportWords) -> str:
    """What the document is: preliminary, a statement, or its correction of that number."""
    if statement is None:
        return t("preliminary")
    when = f"{statement.issued:%Y-%m-%d %H:%M} UTC"
    return t("correction", number=statement.number, when=when) if statement.number else t("statement", when=when)


def picture(skid: SkidFigures, t: ReportWords) -> str:
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
        left.set_title(t("a_day", unit=sign(skid.treated.unit) if skid.treated else ""), loc="left")
        right.plot(names, [float("nan") if d.oil is None else d.oil for d in skid.days], color="#1f5f8b", marker=".")
        oil = next((q for q in skid.quality if q.name == "oil"), None)
        title = t("oil_day", unit=sign(oil.unit) if oil else "")
        if oil is not None:
            right.axhline(oil.limit, color="#7a7a7a", linestyle="--")
            title += f" {t('dashed')}"
        right.set_title(title, loc="left")
        right.set_ylim(bottom=0)
        for axis in (left, right):
            axis.spines[["top", "right"]].set_visible(False)
            axis.set_xlim(-0.8, max(len(names), 7) - 0.2)  # a single day is a bar, not a wall
            axis.set_xticks(range(0, len(names), max(1, len(names) // 6)))
        out = io.StringIO()
        drawn.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def csv_zip(figures: Figures) -> bytes:
    """All of :func:`tables` in one zip; equal figures give equal bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in tables(figures).items():
            archive.writestr(zipfile.ZipInfo(name, EPOCH), body)
    return out.getvalue()


def tables(figures: Figures) -> dict[str, bytes]:
    """File name → CSV (RFC 4180): all figures in full, days, quality, runs and events."""
    parts = ("days", "quality") if figures.customer else ("days", "runs", "events", "quality")
    return {
        "figures.csv": _csv(("skid", "start", "figure", "value", "unit"), _flat(figures)),
        **{
            f"{part}.csv": _csv_of([
                {"skid": skid.skid, **row.model_dump(mode="json")}
                for skid in figures.skids
                for row in getattr(skid, part)
            ])
            for part in parts
        },
    }  # fmt: skip


def _flat(figures: Figures) -> Iterator[Sequence[Any]]:
    for skid in figures.skids:
        who = (skid.skid, skid.start.isoformat())
        for name in ("treated",) if skid.customer else ("treated", "received"):
            volume: Volume | None = getattr(skid, name)
            told = {} if volume is None else volume.model_dump(exclude={"tag", "unit"})
            for figure, value in told.items():
                counted = figure in ("rollovers", "resets", "integrated_share")
                yield *who, f"{name}.{figure}", value, "1" if counted or volume is None else volume.unit
        if skid.customer:
            continue
        base = skid.received or skid.treated
        wash = base.unit if base else ""
        plain = {"recovery": "1", "backwash": wash, "backwash_share": "1", "oil_caught_kg": "kg",
                 "oil_caught_bbl": "[bbl_us]", "oil_density": "kg/m3", "oil_minutes": "min", "in_service_h": "h",
                 "completeness": "1", "calls": "1", "false_calls": "1", "messages": "1"}  # fmt: skip
        yield from ((*who, figure, getattr(skid, figure), unit) for figure, unit in plain.items())


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
