"""The figures of a report as lines of words, for a document and for a page alike."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from analytics.report_figures import Quality, SkidFigures, Volume
from analytics.report_words import ReportWords
from skidhand.units import label

DASH: Final = "\u2013"
SIGNS: Final = {"Cel": "°C", "[degF]": "°F", "m3/h": "m³/h", "m3": "m³"}


class Line(NamedTuple):
    """``part``: it tells of the line above."""

    what: str
    value: str
    part: bool = False


def number(value: float) -> str:
    """A figure for people; the CSV has all of its digits."""
    return f"{value:,.0f}".replace(",", "\u202f") if abs(value) >= 1000 else f"{value:.4g}"


def percent(share: float | None) -> str:
    """A share in percent, or a dash."""
    return DASH if share is None else f"{100.0 * share:.1f} %"


def amount(value: float | None, code: str) -> str:
    """A figure with its unit, or a dash."""
    return DASH if value is None else f"{number(value)} {sign(code)}"


def sign(code: str) -> str:
    """A UCUM code for people."""
    return SIGNS.get(code) or label(code)


def lines(skid: SkidFigures, t: ReportWords) -> Iterator[Line]:
    """Volumes and what follows from them; what a customer is not told is not among the figures."""
    for name in ("treated", "received"):
        volume: Volume | None = getattr(skid, name)
        if volume is not None:
            yield from _volume(t(name), volume, t)
    if skid.recovery is not None:
        yield Line(t("recovery"), percent(skid.recovery))
    if skid.customer:
        return
    yield Line(t("backwash"), percent(skid.backwash_share))
    told = t("caught_from", minutes=skid.oil_minutes) if skid.oil_minutes else t("caught")
    yield Line(told, amount(skid.oil_caught_kg, "kg"))
    if skid.oil_caught_bbl is not None and skid.oil_density is not None and skid.oil_api is not None:
        basis = t("caught_bbl", density=number(skid.oil_density), api=number(skid.oil_api))
        yield Line(basis, amount(skid.oil_caught_bbl, "[bbl_us]"), part=True)
    yield Line(t("in_service"), f"{number(skid.in_service_h)} h")
    yield Line(t("completeness"), percent(skid.completeness))
    yield Line(t("calls"), f"{skid.calls} ({skid.false_calls})")
    if skid.messages:
        yield Line(t("messages"), str(skid.messages), part=True)


def _volume(name: str, v: Volume, t: ReportWords) -> Iterator[Line]:
    yield Line(f"{name} ({v.tag})", amount(v.total, v.unit))
    for key in ("in_gap", "diverted", "off_spec"):
        if getattr(v, key):
            yield Line(t(key), amount(getattr(v, key), v.unit), part=True)
    for key in ("resets", "rollovers"):
        if getattr(v, key):
            yield Line(t(key), f"{getattr(v, key)} ×", part=True)
    if v.integrated is not None:
        yield Line(t("check", share=percent(v.integrated_share)), amount(v.integrated, v.unit), part=True)


def quality_title(q: Quality, t: ReportWords) -> str:
    """Which water quality against which limit."""
    return t("quality", name=t.maybe(q.name), tag=q.tag, limit=amount(q.limit, q.unit), basis=q.basis)


def quality_lines(q: Quality, t: ReportWords) -> Iterator[Line]:
    """What was read against the limit."""
    yield Line(t("by_analyser"), f"{percent(q.share)} {t('of')} {q.minutes} {t('minutes')}")
    yield Line(t("average", days=q.days), amount(q.average_30d, q.unit))
    most = DASH if q.highest_day is None else number(q.highest_day)
    yield Line(t("highest"), f"{most}; {amount(q.highest, q.unit)}")
