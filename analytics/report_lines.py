"""The figures of a report as lines of words, for a document and for a page alike."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median
from typing import Final, NamedTuple

from analytics.report_figures import Figures, Quality, SkidFigures, Volume
from analytics.report_totals import BARREL, barrels, total
from analytics.report_words import ReportWords
from skidhand.units import label

DASH: Final = "\u2013"
SIGNS: Final = {"Cel": "°C", "[degF]": "°F", "m3/h": "m³/h", "m3": "m³"}
PARTS: Final = ("in_gap", "diverted", "off_spec", "unjudged")


class Line(NamedTuple):
    """``part``: it tells of the line above."""

    what: str
    value: str
    part: bool = False


def number(value: float) -> str:
    """A figure for people; the CSV has all of its digits."""
    return f"{value:,.0f}".replace(",", "\u202f") if abs(value) >= 1000 else f"{value:.4g}"


def percent(share: float | None) -> str:
    """A share in percent, or a dash; what is not all is never shown as all, nor something as nothing."""
    if share is None:
        return DASH
    if 0.9995 <= share < 1.0:
        return "> 99.9 %"
    return "< 0.1 %" if 0.0 < share < 0.0005 else f"{100.0 * share:.1f} %"


def amount(value: float | None, code: str) -> str:
    """A figure with its unit, or a dash."""
    return DASH if value is None else f"{number(value)} {sign(code)}"


def sign(code: str) -> str:
    """A UCUM code for people."""
    return SIGNS.get(code) or label(code)


def lines(skid: SkidFigures, t: ReportWords) -> Iterator[Line]:
    """Volumes and what follows from them; what a customer is not told is not among the figures."""
    if skid.treated is None:
        yield Line(t("treated"), t("no_total"))
    for name in ("treated", "received"):
        volume: Volume | None = getattr(skid, name)
        if volume is not None:
            yield from _volume(t(name), volume, t)
    if skid.recovery is not None:
        yield Line(t("recovery"), percent(skid.recovery))
    if skid.customer:
        return
    if skid.backwash_share is not None:
        yield Line(t("backwash"), percent(skid.backwash_share))
    if skid.oil_caught_kg is not None:
        yield Line(t("caught_from", minutes=number(skid.oil_minutes)), amount(skid.oil_caught_kg, "kg"))
    if skid.oil_caught_bbl is not None and skid.oil_density is not None and skid.oil_api is not None:
        basis = t("caught_bbl", density=number(skid.oil_density), api=number(skid.oil_api))
        yield Line(basis, amount(skid.oil_caught_bbl, BARREL), part=True)
    yield Line(t("in_service"), f"{number(skid.in_service_h)} h")
    for unit in sorted({run.unit for run in skid.runs}):
        yield from _runs(skid, unit, t)
    if skid.completeness is not None:
        yield Line(t("completeness"), percent(skid.completeness))
    yield Line(t("calls"), f"{skid.calls} ({skid.false_calls})")
    if skid.messages:
        yield Line(t("messages"), str(skid.messages), part=True)


def _volume(name: str, v: Volume, t: ReportWords) -> Iterator[Line]:
    yield Line(f"{name} ({v.tag})", amount(v.total, v.unit))
    if v.unit != BARREL and (told := barrels(v.total, v.unit)) is not None:
        yield Line(t("in_barrels"), amount(told, BARREL), part=True)
    for key in PARTS:
        if getattr(v, key) is not None:
            yield Line(t(key), amount(getattr(v, key), v.unit), part=True)
    for key in ("resets", "rollovers"):
        if getattr(v, key):
            yield Line(t(key), f"{getattr(v, key)} ×", part=True)
    if v.integrated is not None:
        yield Line(t("check", share=percent(v.integrated_share)), amount(v.integrated, v.unit), part=True)


def total_lines(figures: Figures, t: ReportWords) -> Iterator[Line]:
    """What all parts passed together, in barrels; nothing where there is one part alone."""
    for name in ("treated", "received") if len(figures.skids) > 1 else ():
        found = total(figures.skids, name)
        if found is None:
            continue
        few = "" if found.parts == found.of else f" ({t('total_of', parts=found.parts, of=found.of)})"
        yield Line(f"{t(name)}{few}", amount(found.lines["total"], BARREL))
        for key in PARTS:
            if found.lines[key] is not None:
                yield Line(t(key), amount(found.lines[key], BARREL), part=True)


def _runs(skid: SkidFigures, unit: str, t: ReportWords) -> Iterator[Line]:
    hours = [run.hours for run in skid.runs if run.unit == unit and run.whole]
    yield Line(t("run_line", unit=unit), str(len(hours)))
    if hours:
        span = f" ({number(min(hours))}{DASH}{number(max(hours))})" if len(hours) > 1 else ""
        told = number(median(hours)) + span
        yield Line(t("run_hours"), told, part=True)


def quality_title(q: Quality, t: ReportWords) -> str:
    """Which water quality against which limit."""
    kind, n = ("grab", "") if q.basis == "grab" else (q.basis[-1], q.basis[:-1])
    return t("quality", name=t.maybe(q.name), tag=q.tag, limit=amount(q.limit, q.unit), basis=t(f"basis_{kind}", n=n))


def quality_lines(q: Quality, t: ReportWords) -> Iterator[Line]:
    """What was read against the limit."""
    yield Line(t("by_analyser"), t("of", share=percent(q.share), count=number(q.minutes)))
    if q.windows is not None and q.windows_on is not None:
        share = percent(q.windows_on / q.windows if q.windows else None)
        spoken = f"{q.basis[:-1]} {q.basis[-1]}"
        yield Line(t("by_basis", basis=spoken), t("of", share=share, count=number(q.windows)))
    yield Line(t("average", days=q.days), amount(q.average_30d, q.unit))
    yield Line(t("highest_day"), amount(q.highest_day, q.unit))
    yield Line(t("highest"), amount(q.highest, q.unit))
