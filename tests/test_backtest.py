"""What a changed limit would have called: the filter's terminal drop on the simulated plant."""

from __future__ import annotations

import hashlib
import json
from datetime import timedelta

import pytest

from analytics.service import Analyzer
from simulator.generate import generate
from simulator.scenario import load_scenario
from skidhand.backtest import backtest, changed, parse_change
from skidhand.errors import UserError
from skidhand.fleet import load_fleet
from skidhand.logbook import Logbook
from skidhand.stores import open_store
from skidhand.stores.base import Batch

HOURS = 20.0


@pytest.fixture(scope="module")
def history(tmp_path_factory):
    """(folder with a lake and a logbook, start, end): one skid of the demo, analysed as it came."""
    folder = tmp_path_factory.mktemp("history")
    scenario = load_scenario("demo")
    end = scenario.start + timedelta(hours=HOURS)
    store = open_store(str(folder / "lake"))
    store.set_clock("stream")
    for number, chunk in enumerate(generate(scenario, hours=HOURS, skids=1, chunk_hours=10), 1):
        store.write(Batch("w", number, hashlib.sha256(str(number).encode()).hexdigest(), chunk.samples))
    with Logbook(str(folder / "book.db")) as book:
        clock = book.open_clock("stream")
        book.fleets.apply(load_fleet(scenario.fleet_path), effective=scenario.start, who="test")
        book.clock.announce(end)
        Analyzer(store, book, clock=clock, owner="a").run_once()
    store.close()
    return folder, scenario.start, end


def outcome(history, *changes):
    """The backtest of these changes over the whole history."""
    folder, start, end = history
    with Logbook(str(folder / "book.db")) as book:
        before = book.analysis.current()
        result = backtest(open_store(str(folder / "lake")), book, [parse_change(c) for c in changes], start, end)
        assert book.analysis.current() == before, "the real logbook was touched"
    return result


def test_the_limit_in_force_changes_nothing(history):
    """With the value that is in force already, both sides are the same, finding by finding."""
    result = outcome(history, "filter.dp_terminal=12")
    assert result.was == result.would
    assert {row.outcome for row in result.differences} == {"same"}
    assert all(row.earlier_h == 0 for row in result.differences)


def test_a_lower_terminal_drop_calls_the_wash_earlier(history):
    """A terminal drop of 9 psi instead of 12 is foreseen sooner: each call of before comes earlier or as early."""
    result = outcome(history, "filter-a.dp_terminal=9")
    rises = [row for row in result.differences if row.kind == "dp-rise" and row.outcome != "new"]
    assert rises
    assert all(row.outcome == "same" for row in rises)
    assert max(row.earlier_h for row in rises) > 0.5
    assert min(row.earlier_h for row in rises) >= 0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("dp_terminal=9", "not UNIT.LIMIT=NUMBER"),
        ("filter.dp_terminal=high", "not UNIT.LIMIT=NUMBER"),
        ("filter.dp_terminal=nan", "not UNIT.LIMIT=NUMBER"),
        ("press.dp_terminal=9", "no unit 'press' in the fleet file; there are"),
        ("filter.dp_end=9", "no limit 'dp_end'; it has .*dp_terminal"),
    ],
)
def test_slips_are_told(text, said):
    """What cannot be set is refused with what can."""
    with pytest.raises(UserError, match=said):
        changed(load_fleet(load_scenario("demo").fleet_path), [parse_change(text)])


def test_the_command_prints_both_sides(history, tmp_path, monkeypatch, capsys):
    """``skidhand backtest`` gives a row for each side, and finding by finding when asked."""
    from skidhand.cli.main import main

    folder, start, end = history
    monkeypatch.chdir(tmp_path)
    words = ["skidhand", "backtest", "--since", start.isoformat(), "--until", end.isoformat(), "--format", "json"]
    words += ["--set", "filter.dp_terminal=9", "--store", str(folder / "lake"), "--logbook", str(folder / "book.db")]
    monkeypatch.setattr("sys.argv", words)
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    rows = json.loads(capsys.readouterr().out)
    assert [row["side"] for row in rows] == ["as it was", "with the change"]
    assert rows[0]["findings"] > 0
