"""Times and spans in words. Times are the site's own; a span says only as much as helps."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from board.words import Words
from skidhand.fleet import Fleet


def zone_of(fleet: Fleet, site: str | None) -> ZoneInfo:
    """The site's time zone; UTC for a site that is no longer in the fleet file."""
    found = next((one for one in fleet.sites if one.id == site), None)
    return ZoneInfo(found.timezone if found else "UTC")


def span(length: timedelta, t: Words) -> str:
    """``12 s``, ``45 min``, ``3 h 20 min``, ``2 d 4 h``; never negative, never broken over two lines."""
    return _span(length, t("unit.day")).replace(" ", "\u00a0")


def _span(length: timedelta, day: str) -> str:
    seconds = max(0, round(length.total_seconds()))
    if seconds < 90:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 10 and minutes:
        return f"{hours} h {minutes:02d} min"
    hours = round(seconds / 3600)
    if hours < 48:
        return f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} {day} {hours} h" if days < 7 and hours else f"{days} {day}"


def stamp(moment: datetime, now: datetime, zone: ZoneInfo, t: Words) -> str:
    """``14:20`` today, ``Tue 14:20`` within a week, otherwise ``12 Mar 14:20`` (with the year when it is another)."""
    here, today = moment.astimezone(zone), now.astimezone(zone)
    days = abs((here.date() - today.date()).days)
    if days == 0:
        return f"{here:%H:%M}"
    if days < 7:
        return f"{t.weekdays[here.weekday()]} {here:%H:%M}"
    year = "" if here.year == today.year else f" {here.year}"
    return f"{here.day} {t.months[here.month - 1]}{year} {here:%H:%M}"


def full(moment: datetime, zone: ZoneInfo, t: Words) -> str:
    """``Tue 3 Mar 2026 14:20``: for headings, and where nothing may be left open."""
    here = moment.astimezone(zone)
    return f"{t.weekdays[here.weekday()]} {here.day} {t.months[here.month - 1]} {here.year} {here:%H:%M}"


def day(on: date, t: Words) -> str:
    """``Sun 8 Mar 2026``."""
    return f"{t.weekdays[on.weekday()]} {on.day} {t.months[on.month - 1]} {on.year}"


def figure(value: float) -> str:
    """A number for people: three digits that count, never an exponent."""
    if abs(value) >= 1000:
        return f"{value:,.0f}".replace(",", "\u202f")
    text = f"{value:.3g}" if abs(value) >= 0.001 or value == 0 else f"{value:.4f}"
    return text.replace("-", "\u2212")
