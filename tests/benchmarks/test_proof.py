"""The proof of the detectors: its arithmetic, that its plants are not the fleet file's, and a case of it."""

from __future__ import annotations

import pytest

from benchmarks.proof.bounds import worse
from benchmarks.proof.cases import KNOWN_OFF, PROGRAMMES, Case, cases, scenario_of
from benchmarks.proof.figures import figures, in_time, rate, share
from benchmarks.proof.run import run_case


def test_bounds_of_a_share():
    """Wilson's bounds agree with the worked example of Newcombe, Statistics in Medicine 17 (1998) 857: 81 of 263."""
    got = share(81, 263)
    assert (got["low"], got["high"]) == pytest.approx((0.2553, 0.3662), abs=1e-4)


def test_bounds_of_a_rate():
    """No event in n months leaves the rate below 3.689/n (chi-square with 2 degrees of freedom, 97.5 %)."""
    assert rate(0, 60.0)["high"] == pytest.approx(3.689 / 60.0, abs=1e-4)


@pytest.mark.parametrize("programme", PROGRAMMES)
def test_no_plant_is_as_its_file_says(programme):
    """Salinity and every parameter but lengths and counts are 10 to 20 % off, and odd seeds have calcium."""
    scenario, filed = scenario_of(Case(programme, 1.0, 7))
    built, said = scenario.fleet.skids[0], filed.skids[0]
    off = [abs(built.water.tds / said.water.tds - 1.0)]
    for mine, theirs in zip(built.units, said.units, strict=True):
        changed = [name for name in theirs.params if name not in ("height", "outlet_height", "liners")]
        off += [abs(mine.params[name] / theirs.params[name] - 1.0) for name in changed]
    assert all(KNOWN_OFF[0] - 1e-9 <= one <= KNOWN_OFF[1] + 1e-9 for one in off)
    assert scenario.story(built.id).plant.calcium > 0


def test_order_is_fair_and_the_same_again():
    """Every case once, in the same drawn order each time, so that the first tenth is a sample of all programmes."""
    wanted = cases(range(1000, 1020), 60.0)
    assert wanted == cases(range(1000, 1020), 60.0)
    assert len({case.id for case in wanted}) == len(wanted) == 400
    assert len({case.programme for case in wanted[::10]}) == len(PROGRAMMES)


def report(found, false, lookalikes):
    """A report of one skid-month with such figures."""
    whole = share(found, 100)
    return {
        "skid_months": 1.0,
        "figures": {
            "found_in_time": whole, "found_in_time_faults": share(0, 0), "findings_true": whole, "cause_right": whole,
            "forecast_coverage": {"first": whole, "last": whole},
            "false_equipment_per_quiet_month": rate(false, 1.0),
            "equipment_by_lookalikes": {"count": lookalikes, "by": {}},
        },
    }  # fmt: skip


def test_only_what_chance_does_not_explain_is_worse():
    """90 of 100 against 95 may be chance; 70, or 12 false calls where there was none, are not."""
    recorded = report(95, 0, 0)
    assert worse(report(90, 1, 1), recorded) == []
    told = worse(report(70, 12, 12), recorded)
    assert len(told) == 7
    assert told[0] == "found_in_time: 70 of 100, at best 0.7811; on record at least 0.8882"
    assert told[-1].startswith("equipment_by_lookalikes per skid-month: 12, at best 6.2")


@pytest.mark.slow
def test_a_case_of_the_proof_keeps_its_bound():
    """Wear on a plant that is not the file's: what is found in time and what is true does not contradict 95 %."""
    record = run_case(Case("wear", 1.0, 1))
    got = figures([record])
    assert got["found_in_time"]["of"] > 10
    assert got["found_in_time"]["high"] >= 0.95
    assert got["findings_true"]["high"] >= 0.95
    assert got["equipment_by_lookalikes"]["count"] == 0
    faults = {e["event"]: in_time(e) for e in record["events"] if e["event"] != "filter-run"}
    assert faults == {"liner-wear": True, "stator-wear": True}
