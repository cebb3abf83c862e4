"""One case from the plant to its judged findings, by the path of the product: samples → lake → analysis → scoring."""

from __future__ import annotations

import hashlib
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from analytics.scoring import FORECASTS, Score, score
from analytics.service import Analyzer
from benchmarks.proof.cases import Case, scenario_of
from simulator.generate import generate
from simulator.scenario import Scenario, write_fleet
from simulator.truth import truth_of
from skidhand.fleet import Fleet, load_fleet
from skidhand.logbook import Logbook
from skidhand.model.finding import Finding
from skidhand.model.truth import Truth, TruthEvent
from skidhand.stores import open_store
from skidhand.stores.base import Batch

Record = dict[str, Any]
"""What a case came to, as JSON takes it."""


def run_case(case: Case) -> Record:
    """Live the case and judge it; everything that it needs lies in a temporary folder."""
    began = time.process_time()
    scenario, filed = scenario_of(case)
    truth = truth_of(scenario)
    with tempfile.TemporaryDirectory() as name:
        live(scenario, filed, Path(name))
        findings, forecasts = analyse(truth, Path(name))
    return judge(case, truth, findings, forecasts) | {"cpu_s": round(time.process_time() - began, 1)}


def live(scenario: Scenario, filed: Fleet, folder: Path) -> None:
    """What the plant sends, in a lake, with the fleet file beside it."""
    store = open_store(str(folder / "lake"))
    store.set_clock("stream")
    for number, chunk in enumerate(generate(scenario, chunk_hours=24), 1):
        digest = hashlib.sha256(str(number).encode()).hexdigest()
        store.write(Batch("proof", number, digest, chunk.samples))
    store.close()
    write_fleet(Scenario(scenario.file, filed, scenario.fleet_path), folder / "fleet.yaml")


def analyse(truth: Truth, folder: Path) -> tuple[list[Finding], list[Record]]:
    """The current findings of what was lived in ``folder``, and each forecast of a wash beside what came."""
    store = open_store(str(folder / "lake"))
    with tempfile.TemporaryDirectory() as name, Logbook(str(Path(name) / "book.db")) as book:
        clock = book.open_clock("stream")
        book.fleets.apply(load_fleet(folder / "fleet.yaml"), effective=truth.start, who="proof")
        book.clock.announce(truth.end)
        Analyzer(store, book, clock=clock, owner="proof").run_once()
        findings = book.analysis.current()
        told = [f for f in findings if f.kind in FORECASTS and f.state != "superseded"]
        forecasts = [row for f in told for row in _forecasts(book.analysis.history(f.id), truth)]
    store.close()
    return findings, forecasts


def judge(case: Case, truth: Truth, findings: list[Finding], forecasts: list[Record]) -> Record:
    """What the case came to."""
    judged = score(findings, truth)
    current = [f for f in findings if f.state != "superseded"]
    return {
        "id": case.id,
        "programme": case.programme,
        "severity": case.severity,
        "seed": case.seed,
        "quiet": case.quiet,
        "skid_months": judged.skid_months,
        "findings": len(current),
        "false": [call.model_dump(mode="json") for call in judged.false_calls],
        "events": list(_events(judged, truth, {str(f.id): f for f in current})),
        "forecasts": forecasts,
    }


def _forecasts(revisions: list[Finding], truth: Truth) -> Iterator[Record]:
    """The first and the last forecast of a run against its wash; a run whose wash never came says nothing."""
    first = revisions[0]
    washes = [w for w in truth.backwashes if (w.skid, w.unit) == (first.skid, first.unit)]
    wash = next((w for w in washes if w.start >= first.detected), None)
    if wash is None:
        return
    foretold = [(f.watermark, f.forecast) for f in revisions if f.forecast is not None and f.watermark < wash.start]
    if not foretold:
        return
    for which, (at, forecast) in (("first", foretold[0]), ("last", foretold[-1])):
        yield {
            "which": which,
            "by": wash.by,
            "lead_h": _hours(wash.start, first.detected if which == "first" else at),
            "error_h": _hours(forecast.when, wash.start),
            "width_h": _hours(forecast.high, forecast.low),
            "covered": forecast.low <= wash.start <= forecast.high,
        }


def _events(judged: Score, truth: Truth, by_id: dict[str, Finding]) -> Iterator[Record]:
    events = {e.id: e for e in truth.events}
    for match in judged.matches:
        event = events[match.event]
        finding = None if match.finding is None else by_id[match.finding]
        developed = _development(event)
        yield {
            "event": event.event,
            "kind": match.kind,
            "unit": match.unit,
            "required": match.required,
            "lookalike": event.lookalike,
            "found": match.found,
            "in_time": match.in_time,
            "cause": match.cause,
            "expected_cause": match.expected_cause,
            "cause_right": match.cause_right,
            "delay_h": None if match.delay_min is None else match.delay_min / 60.0,
            "onset": event.onset.isoformat(),
            "onset_error_h": None if finding is None else _hours(finding.onset, event.onset),
            "development_h": developed,
        }


def _development(event: TruthEvent) -> float | None:
    """Hours in which the fault does its harm: from its onset until it is too late, or until it ends."""
    until = max((t for t in (event.too_late, event.ended) if t is not None), default=None)
    return None if until is None else _hours(until, event.onset)


def _hours(later: datetime, earlier: datetime) -> float:
    return (later - earlier) / timedelta(hours=1)
