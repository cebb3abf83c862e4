"""Whether figures are worse than those on record by more than chance explains."""

from __future__ import annotations

from typing import Any, Final

from benchmarks.proof.figures import rate

SHARES: Final = ("found_in_time", "found_in_time_faults", "findings_true", "cause_right")


def worse(now: dict[str, Any], recorded: dict[str, Any]) -> list[str]:
    """A line for each figure of a report whose 95 % bounds lie wholly on the bad side of the recorded report's.

    Two bounds that do not meet are a difference at about the 0.6 % level (from memory: N. Schenker, J. F. Gentleman,
    The American Statistician 55 (2001) 182), so that a sound change seldom fails by chance. Median errors have no
    bounds and are not compared.
    """
    ours, theirs = now["figures"], recorded["figures"]
    lines = [_share(name, ours[name], theirs[name]) for name in SHARES]
    lines += [
        _share(f"forecast_coverage {which}", ours["forecast_coverage"][which], theirs["forecast_coverage"][which])
        for which in ("first", "last")
    ]
    name = "false_equipment_per_quiet_month"
    lines.append(_rate(name, ours[name], theirs[name]))
    name = "equipment_by_lookalikes"
    lines.append(_rate(f"{name} per skid-month", _by_month(now, name), _by_month(recorded, name)))
    return [line for line in lines if line]


def _by_month(report: dict[str, Any], name: str) -> dict[str, Any]:
    return rate(report["figures"][name]["count"], report["skid_months"])


def _share(name: str, ours: dict[str, Any], theirs: dict[str, Any]) -> str:
    if not ours["of"] or not theirs["of"] or ours["high"] >= theirs["low"]:
        return ""
    return f"{name}: {ours['hits']} of {ours['of']}, at best {ours['high']}; on record at least {theirs['low']}"


def _rate(name: str, ours: dict[str, Any], theirs: dict[str, Any]) -> str:
    if ours["low"] is None or theirs["high"] is None or ours["low"] <= theirs["high"]:
        return ""
    return f"{name}: {ours['count']}, at best {ours['low']}; on record at most {theirs['high']}"
