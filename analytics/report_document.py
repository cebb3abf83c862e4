"""A report as a document: HTML and PDF with pictures, and a CSV behind each figure."""

from __future__ import annotations

import csv
import io
import zipfile
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analytics.export_files import harmless
from analytics.report_changes import changes, flat
from analytics.report_figures import Figures, SkidFigures
from analytics.report_gather import period_of
from analytics.report_lines import (
    DASH,
    amount,
    lines,
    number,
    percent,
    quality_lines,
    quality_title,
    total_lines,
)
from analytics.report_pictures import fleet_picture, picture
from analytics.report_words import ReportWords, Trade
from skidhand.model.statement import Statement

EPOCH: Final = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip can tell: equal figures, equal bytes
DETAILED: Final = 12
"""Parts up to which each has pages of its own; of a larger fleet nobody would turn them."""


def html(figures: Figures, trade: Trade, statement: Statement | None = None, before: Statement | None = None) -> str:
    """The report as one file without scripts or links, in the language of ``trade``.

    ``before``: what a correction corrects; the figures that differ are then told.
    """
    t = ReportWords(trade.language)
    env = Environment(loader=PackageLoader("skidhand"), autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    env.globals.update(number=number, lines=lines, total_lines=total_lines, t=t, trade=trade, local=local,
                       quality_title=quality_title, quality_lines=quality_lines)  # fmt: skip
    shown = figures.skids if len(figures.skids) <= DETAILED else ()
    together = fleet_picture(figures, t) if len(figures.skids) > 1 else ""
    return env.get_template("report.html").render(
        f=figures, head=head(statement, t), span=span(figures, t), overview=overview(figures, t),
        kinds=kinds(figures, trade), shown=shown, together=Markup(together),
        pictures=[Markup(picture(skid, t)) for skid in shown],
        alone=len(figures.skids) == 1, changed=changes(figures, before), notes=notes(figures),
    )  # fmt: skip


def span(figures: Figures, t: ReportWords) -> str:
    """Which days the report is of, and up to when, if they are not over."""
    period = period_of(figures.period)
    first, last = period.first, period.last - timedelta(days=1)
    told = t("day_of", first=first) if first == last else t("days_of", first=first, last=last)
    if figures.so_far is None:
        return told
    return f"{told}. {t('so_far', when=f'{figures.so_far:%Y-%m-%d %H:%M} UTC')}"


def local(moment: datetime, skid: SkidFigures, form: str = "%m-%d %H:%M") -> str:
    """A time by the site's own clock."""
    return moment.astimezone(ZoneInfo(skid.zone)).strftime(form)


def notes(figures: Figures) -> tuple[str, ...]:
    """The words that say how the figures come about."""
    for_all = ("how_volume", "how_spec")
    return for_all if figures.customer else (*for_all, "how_recovery", "how_oil", "how_calls", "how_data")


def overview(figures: Figures, t: ReportWords) -> list[list[tuple[str, str]]]:
    """A row a part of (heading, cell): what tells skids apart; nothing where there is one alone.

    A column that says nothing of anybody is left out.
    """
    if len(figures.skids) < 2:
        return []
    several = Counter(skid.skid for skid in figures.skids)
    rows = [_overview(skid, t, dated=several[skid.skid] > 1) for skid in figures.skids]
    said = [any(row[i][1] != DASH for row in rows) for i in range(len(rows[0]))]
    return [[cell for cell, shown in zip(row, said, strict=True) if shown] for row in rows]


def _overview(skid: SkidFigures, t: ReportWords, *, dated: bool) -> list[tuple[str, str]]:
    since = f", {t('from').lower()} {local(skid.start, skid)}" if dated else ""
    share = skid.quality[0].share if skid.quality else None
    treated = amount(skid.treated.total, skid.treated.unit) if skid.treated else t("no_total")
    row = [(t("skid"), f"{skid.name} ({skid.site_name or skid.site}{since})"), (t("treated"), treated),
           (t("on_spec"), percent(share))]  # fmt: skip
    if skid.customer:
        return row
    false = sum(event.verdict == "false" for event in skid.events)
    return [*row, (t("recovery_short"), percent(skid.recovery)), (t("backwash_short"), percent(skid.backwash_share)),
            (t("events_false"), f"{len(skid.events)} ({false})"), (t("calls_short"), f"{skid.calls}"),
            (t("data"), percent(skid.completeness))]  # fmt: skip


def kinds(figures: Figures, trade: Trade) -> list[tuple[str, str, int, int, int]]:
    """(what, cause, how many, of them done, of them false), the most frequent first."""
    told = [
        (trade.what(event.kind, event.unit), trade.cause(event.cause), event.verdict)
        for skid in figures.skids for event in skid.events
    ]  # fmt: skip
    said, every = Counter(told), Counter(one[:2] for one in told)
    ordered = sorted(every.items(), key=lambda one: (-one[1], one[0]))
    return [(*one, n, said[(*one, "done")], said[(*one, "false")]) for one, n in ordered]


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
        "figures.csv": _csv(("skid", "start", "figure", "value", "unit"), flat(figures)),
        **{
            f"{part}.csv": _csv_of([
                {"skid": skid.skid, "start": skid.start.isoformat(), **row.model_dump(mode="json")}
                for skid in figures.skids
                for row in getattr(skid, part)
            ])
            for part in parts
        },
    }  # fmt: skip


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
