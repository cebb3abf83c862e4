"""The figures of a proof from its cases, each with its sample size and its 95 % bounds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from statistics import median
from typing import Any, Final

from scipy.stats import binomtest, chi2

from benchmarks.proof.run import Record

TARGETS: Final = {
    "found_in_time": "at least 0.95",
    "findings_true": "at least 0.95",
    "cause_right": "at least 0.90",
    "equipment_by_lookalikes": "0",
    "false_equipment_per_quiet_month": "at most 0.1, over at least 60 skid-months",
    "onset_error_share": "median at most 0.05",
    "forecast_coverage": "0.75 to 0.85",
}


def figures(records: Sequence[Record]) -> dict[str, Any]:
    """All figures of the ``records``, and the same by severity, by kind and by look-alike."""
    events = [e for r in records for e in r["events"] if e["required"]]
    calls = [c for r in records for c in r["false"]]
    findings = sum(r["findings"] for r in records)
    judged = [e for e in events if e["found"] and e["expected_cause"] is not None]
    return {
        "found_in_time": share(sum(map(in_time, events)), len(events)),
        "found_in_time_faults": _found([e for e in events if e["event"] != "filter-run"]),
        "findings_true": share(findings - len(calls), findings),
        "cause_right": share(sum(e["cause_right"] for e in judged), len(judged)),
        "equipment_by_lookalikes": _lookalikes(records),
        "false_equipment_per_quiet_month": _quiet(records),
        "onset_error_share": _onset([e for e in events if e["event"] != "filter-run"]),
        "forecast_coverage": {which: _coverage(records, which) for which in ("first", "last")},
        "delay_h_median": {kind: _delay(some) for kind, some in _by(events, "kind").items()},
        "by_severity": {
            f"{s:g}": _found([e for r in records if r["severity"] == s for e in r["events"] if e["required"]])
            for s in sorted({r["severity"] for r in records})
        },
        "by_event": {name: _found(some) for name, some in _by(events, "event").items()},
        "false_by_kind": {name: len(some) for name, some in _by(calls, "kind").items()},
        "causes_wrong": _wrong(judged),
    }


def in_time(event: Record) -> bool:
    """Found, and before it was too late."""
    return bool(event["found"]) and event["in_time"] is not False


def share(hits: int, of: int) -> dict[str, Any]:
    """``hits`` of ``of`` with Wilson's 95 % bounds (E. B. Wilson, JASA 22 (1927) 209)."""
    if not of:
        return {"hits": 0, "of": 0, "share": None, "low": None, "high": None}
    bounds = binomtest(hits, of).proportion_ci(0.95, method="wilson")
    low, high = round(bounds.low, 4), round(bounds.high, 4)
    return {"hits": hits, "of": of, "share": round(hits / of, 4), "low": low, "high": high}


def rate(count: int, months: float) -> dict[str, Any]:
    """``count`` in ``months`` with the exact 95 % bounds of a Poisson rate (Garwood, Biometrika 28 (1936) 437)."""
    if not months:
        return {"count": count, "skid_months": 0.0, "rate": None, "low": None, "high": None}
    low = float(chi2.ppf(0.025, 2 * count)) / 2 / months if count else 0.0
    high = float(chi2.ppf(0.975, 2 * count + 2)) / 2 / months
    return {
        "count": count, "skid_months": round(months, 2), "rate": round(count / months, 4),
        "low": round(low, 4), "high": round(high, 4),
    }  # fmt: skip


def _found(events: Sequence[Record]) -> dict[str, Any]:
    return share(sum(map(in_time, events)), len(events)) | {"found_at_all": sum(bool(e["found"]) for e in events)}


def _by(rows: Sequence[Record], key: str) -> dict[str, list[Record]]:
    found: dict[str, list[Record]] = defaultdict(list)
    for row in rows:
        found[row[key]].append(row)
    return dict(sorted(found.items()))


def _lookalikes(records: Sequence[Record]) -> dict[str, Any]:
    during = [c for r in records for c in r["false"] if c["during"] is not None and c["cause_class"] == "equipment"]
    names: dict[str, int] = defaultdict(int)
    for call in during:
        names[f"{call['during'].split('/')[1]}: {call['kind']}"] += 1
    return {"count": len(during), "by": dict(sorted(names.items()))}


def _quiet(records: Sequence[Record]) -> dict[str, Any]:
    quiet = [r for r in records if r["quiet"]]
    false = [c for r in quiet for c in r["false"]]
    equipment = sum(c["cause_class"] == "equipment" for c in false)
    return rate(equipment, sum(r["skid_months"] for r in quiet)) | {"false_of_any_class": len(false)}


def _onset(events: Sequence[Record]) -> dict[str, Any]:
    errors = [
        abs(e["onset_error_h"]) / e["development_h"]
        for e in events
        if e["onset_error_h"] is not None and e["development_h"]
    ]
    return {"of": len(errors), "median": round(median(errors), 4) if errors else None}


def _coverage(records: Sequence[Record], which: str) -> dict[str, Any]:
    rows = [f for r in records for f in r["forecasts"] if f["which"] == which]
    said = share(sum(f["covered"] for f in rows), len(rows))
    if rows:
        said["median_lead_h"] = round(median(f["lead_h"] for f in rows), 2)
        said["median_error_h"] = round(median(f["error_h"] for f in rows), 2)
        said["median_width_h"] = round(median(f["width_h"] for f in rows), 2)
    return said


def _delay(events: Sequence[Record]) -> float | None:
    delays = [e["delay_h"] for e in events if e["delay_h"] is not None]
    return round(median(delays), 2) if delays else None


def _wrong(judged: Sequence[Record]) -> dict[str, int]:
    found: dict[str, int] = defaultdict(int)
    for event in judged:
        if not event["cause_right"]:
            found[f"{event['kind']}: {event['expected_cause']} called {event['cause']}"] += 1
    return dict(sorted(found.items()))
