"""The commands along the line, each alone: simulate, replay, analyze, alerts, tidy, export, doctor."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pyarrow.parquet as pq
import pytest

from simulator import load_scenario
from skidhand.clock import WallClock
from skidhand.fleet import load_fleet
from skidhand.logbook import Logbook
from skidhand.model.heartbeat import Heartbeat
from skidhand.model.samples import SAMPLES, micros, table
from skidhand.stores import open_store
from skidhand.stores.base import Batch

SHORT = ("--hours", "0.5", "--skids", "1")
FLEET = load_scenario("calm").fleet_path
START = datetime(2026, 3, 2, tzinfo=UTC)


def test_scenarios_faults_and_look_alikes_are_listed(run):
    """The names that are listed can be simulated; all 20 faults and 15 look-alikes are there, with a line each."""
    rows = json.loads(run("simulate", "--list", "--format", "json").out)
    names = [row["name"] for row in rows if row["sort"] == "scenario"]
    assert [name for name in names if load_scenario(name).file.hours <= 0] == []
    assert "demo" in names
    numbered = {row["no"] for row in rows if row["no"] and len(row["about"]) > 30}
    assert numbered == {str(n) for n in range(1, 21)} | {f"L{n}" for n in range(1, 16)}


def test_simulate_to_a_file(run, home):
    """The same seed writes the same file, another seed another one, with the truth beside it."""
    for name, seed in (("a", 3), ("b", 3), ("c", 4)):
        ran = run("simulate", "calm", *SHORT, "--seed", seed, "--out", f"{name}.parquet", "--truth", f"{name}.json")
        assert (ran.code, ran.out) == (0, ""), ran.err
    a, b, c = (pq.read_table(home / f"{name}.parquet") for name in "abc")
    assert a.schema.equals(SAMPLES)
    assert a.num_rows > 1000
    assert a.equals(b)
    assert not a.equals(c)
    assert json.loads((home / "a.json").read_text(encoding="utf-8"))["seed"] == 3


@pytest.mark.parametrize(
    "words",
    [
        ("simulate",),
        ("simulate", "calm"),
        ("simulate", "calm", "--out", "a.parquet", "--broker", "localhost"),
        ("simulate", "no-such-scenario", "--out", "a.parquet"),
        ("replay", "missing.csv"),
        ("analyze", "--rewind", "tf-skid-1"),
        ("alerts", "--once", "--channel", "pigeon"),
        ("tidy", "--every", "0.1"),
        ("export", "tf-skid-1"),
    ],
)
def test_wrong_use(run, words):
    """Each is wrong use: 2, with a word on stderr and nothing on stdout."""
    ran = run(*words)
    assert (ran.code, ran.out) == (2, ""), ran.err
    assert ran.err


def test_no_broker(run, home, monkeypatch):
    """A broker that is away is something outside: 3, and its address is named."""
    monkeypatch.setenv("SKIDHAND_BROKER__PORT", "1")
    (home / "empty.parquet").write_bytes(b"")
    ran = run("simulate", "calm", *SHORT, "--broker", "127.0.0.1:1")
    assert ran.code == 3
    assert "127.0.0.1:1" in ran.err


def test_nothing_to_do_yet(run, home):
    """Without a fleet in force analysis and alerts say so."""
    analysed, alerted = run("analyze"), run("alerts", "--once")
    assert (analysed.code, alerted.code) == (2, 2)
    assert "no fleet" in analysed.err
    assert "skidhand check" in alerted.err


@pytest.fixture
def plant(run, home, monkeypatch):
    """A store with two hours of one tag, the fleet in force, all in stream time."""
    monkeypatch.setenv("SKIDHAND_CLOCK", "stream")
    assert run("check", FLEET, "--apply", "--effective", "2026-01-01").code == 0
    end = START + timedelta(hours=2)
    rows = [("tf-skid-1/PDT-301", t, 4.0, 0, t) for t in range(micros(START), micros(end), 10_000_000)]
    store = open_store("skidhand-data/lake")
    store.set_clock("stream")
    store.write(Batch("writer", 1, "digest", table(rows)))
    store.close()
    with Logbook("skidhand-data/logbook.db") as book:
        book.clock.announce(end)
    return len(rows)


def test_once_through(run, plant):
    """Analysis works up to the tick before the announced time, alerts and tidy find their work done."""
    ran = run("analyze")
    assert (ran.code, ran.out) == (0, "")
    assert "Up to 2026-03-02 01:59Z: 3 skids" in ran.err
    assert "0 minutes" in run("analyze").err
    assert run("alerts", "--once").code == 0
    tidied = run("tidy")
    assert (tidied.code, tidied.out) == (0, "")
    with Logbook("skidhand-data/logbook.db") as book:
        assert book.analysis.standings()["tf-skid-1"].watermark == datetime(2026, 3, 2, 1, 59, tzinfo=UTC)


def test_rewind(run, plant):
    """On request a skid is worked through again from a time on."""
    run("analyze")
    ran = run("analyze", "--rewind", "tf-skid-1@2026-03-02T01:00:00Z")
    assert ran.code == 0
    assert ", 0 minutes" not in ran.err
    ran = run("analyze", "--rewind", "tf-skid-9@2026-03-02T01:00:00Z")
    assert (ran.code, "there are tf-skid-1" in ran.err) == (2, True)


def test_export(run, plant, home):
    """What was stored comes out, in the fleet's unit, and with --as-of the same again after more has arrived."""
    words = ("export", "tf-skid-1", "--since", "2026-03-02", "--until", "2026-03-03", "--series", "PDT-301")
    first = run(*words, "--out", "first.csv")
    lines = (home / "first.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == plant + 1
    assert "[psi]" in lines[1]
    version = first.err.split()[-1]
    store = open_store("skidhand-data/lake")
    late = micros(START + timedelta(hours=3))
    store.write(Batch("writer", 2, "digest 2", table([("tf-skid-1/PDT-301", late, 5.0, 0, late)])))
    store.close()
    assert run(*words, "--out", "second.csv", "--as-of", version).code == 0
    assert (home / "second.csv").read_bytes() == (home / "first.csv").read_bytes()
    assert run(*words, "--out", "third.csv").code == 0
    assert len((home / "third.csv").read_text(encoding="utf-8").splitlines()) == plant + 2


@pytest.mark.parametrize(
    ("words", "told"),
    [(("nobody",), "tf-skid-1"), (("tf-skid-1", "--series", "XX-1"), "PDT-301")],
)
def test_export_of_what_is_not_there(run, plant, words, told):
    """An unknown skid or series is wrong use, and those that there are are listed."""
    ran = run("export", *words, "--since", "2026-03-02", "--until", "2026-03-03")
    assert (ran.code, told in ran.err) == (2, True)


def doctor(run) -> tuple[int, dict[tuple[str, str], dict]]:
    """Exit status and rows by (part, what)."""
    ran = run("doctor", "--broker", "127.0.0.1:1", "--format", "json")
    return ran.code, {(row["part"], row["what"]): row for row in json.loads(ran.out)}


def test_doctor_before_anything_runs(run, home):
    """On an empty host doctor says no, names what is away, and makes nothing."""
    code, rows = doctor(run)
    assert code == 1
    assert {part for (part, _), row in rows.items() if row["well"] is False} == {"broker", "store", "logbook"}
    assert list(home.iterdir()) == []


def beat(service: str, **changes) -> Heartbeat:
    """A sign of life of now."""
    return Heartbeat(
        **{"service": service, "instance": "1", "at": WallClock().now(), "version": "0.1.0", "lag_s": 1.0, **changes}
    )


def test_doctor_with_signs_of_life(run, plant):
    """Fresh services are well; a silent, stopped or late one is not; a skid's last sign and the fleet are told.

    Of instances that gave way to another, what ended is not listed for ever; an ingest worker counts by itself.
    """
    old = WallClock().now() - timedelta(hours=2)
    with Logbook("skidhand-data/logbook.db") as book:
        digest = book.fleets.digest()
        book.heartbeats.beat(beat("ingest", last_seen={"tf-skid-1": START}, refusals={"unknown-tag": 7}))
        book.heartbeats.beat(beat("analyze", lag_s=5000.0))
        book.heartbeats.beat(beat("alerts", at=old))
        book.heartbeats.beat(beat("alerts", instance="2", at=old - timedelta(days=1)))
        book.heartbeats.beat(
            beat("tidy", instance="ended", at=WallClock().now() - timedelta(minutes=5), note="stopped")
        )
        book.heartbeats.beat(beat("analyze", instance="killed", at=WallClock().now() - timedelta(minutes=30)))
        book.heartbeats.beat(beat("ingest", instance="2", at=old - timedelta(days=1), figures={"samples_per_s": 2.5}))
        book.heartbeats.beat(beat("ingest", instance="long-gone", at=old - timedelta(days=15)))
        book.heartbeats.beat(beat("ingest", instance="not-emptied", at=old - timedelta(days=15), depth=3))
        book.heartbeats.beat(beat("ingest", instance="emptied", at=old, note="retired"))
        book.heartbeats.beat(beat("tidy", note="stopped"))
    code, rows = doctor(run)
    assert code == 1
    well = {key: row["well"] for key, row in rows.items()}
    assert well["ingest", "1"] is True
    assert (well["analyze", "1"], well["alerts", "1"], well["tidy", "1"]) == (False, False, False)
    assert well["analyze", "killed"] is None, "it may have been killed just now"
    assert not {("alerts", "2"), ("tidy", "ended"), ("ingest", "long-gone"), ("ingest", "emptied")} & well.keys()
    assert (well["ingest", "2"], well["ingest", "not-emptied"]) == (False, False), "their spools may hold samples"
    assert "samples_per_s 2.5" in rows["ingest", "2"]["note"]
    assert "refused unknown-tag: 7" in rows["ingest", "1"]["note"]
    assert "last seen 2026-03-02 00:00:00Z" in rows["skid", "tf-skid-1"]["note"]
    assert "not seen" in rows["skid", "tf-skid-2"]["note"]
    fleet = load_fleet(FLEET).fleet.fleet
    assert digest[:12] in rows["fleet", fleet]["note"]
    assert rows["clock", "stream"]["well"] is True


def test_doctor_and_the_other_clock(run, plant, monkeypatch):
    """A logbook that keeps another kind of time than the settings is told."""
    monkeypatch.setenv("SKIDHAND_CLOCK", "wall")
    _, rows = doctor(run)
    assert rows["clock", "stream"]["well"] is False


def test_doctor_shows_settings(run, monkeypatch):
    """Every setting with its origin, no secret, and a word about a variable that is none."""
    monkeypatch.setenv("SKIDHAND_BROKER__PASSWORD", "tern")
    monkeypatch.setenv("SKIDHAND_STROE", "/lake")
    ran = run("doctor", "--config", "--store", "/here", "--format", "json")
    rows = {row["setting"]: (row["value"], row["origin"]) for row in json.loads(ran.out)}
    assert rows["store"] == ("/here", "flag")
    assert rows["broker.password"] == ("********", "environment SKIDHAND_BROKER__PASSWORD")
    assert "tern" not in ran.out + ran.err
    assert "SKIDHAND_STROE" in ran.err


def test_doctor_looks_into_a_spool_that_is_in_use(run, plant):
    """While ingest holds the spool doctor tells what waits in it and what was refused, with the last examples."""
    from ingest.doubts import Doubt
    from ingest.reasons import Reason, Refusal
    from ingest.refusal_log import RefusedMessage
    from ingest.spool import Spool

    when = micros(START)
    refused = RefusedMessage(when, "skidhand/tansy-4/x/samples", b"\xff{", (Refusal(Reason.BAD_UTF8, 3, "byte 0"),))
    with Spool("skidhand-data/spool.db") as spool:
        spool.append(table([("tf-skid-1/PDT-301", when, 9.0, 0, when)]), doubts={Doubt.SPIKE: 2})
        spool.aside.keep(spool.waiting(1)[0], "400: field type conflict")
        spool.append(table([("tf-skid-1/PDT-301", when, 4.0, 0, when)]), refused=[refused])
        _, rows = doctor(run)
    aside = rows["set aside", "skidhand-data/spool.db"]
    assert aside["well"] is False
    assert aside["note"].startswith("1 samples that the store refuses")
    assert aside["note"].endswith("400: field type conflict")
    assert rows["in doubt", "spike"]["note"].startswith("2 since the spool was made: ")
    assert rows["spool", "skidhand-data/spool.db"]["well"] is True
    assert rows["spool", "skidhand-data/spool.db"]["note"].startswith("samples waiting: 1 (")
    assert rows["refused", "bad-utf8"]["note"].startswith("3 since the spool was made: ")
    assert "byte 0" in rows["last refused", "bad-utf8"]["note"]
    assert "\\xff{" in rows["last refused", "bad-utf8"]["note"]


def test_doctor_and_a_spool_that_is_none(run, home):
    """A file that is no spool is told, and doctor goes on to the rest."""
    (home / "skidhand-data").mkdir()
    (home / "skidhand-data" / "spool.db").write_bytes(b"no database at all, but long enough to be looked at")
    code, rows = doctor(run)
    assert code == 1
    assert rows["spool", "skidhand-data/spool.db"]["well"] is False
    assert ("logbook", "./skidhand-data/logbook.db") in rows


def test_a_cluster_that_is_none_is_said(run):
    """``analyze --cluster`` reaches the cluster's own check: which address was wrong, and what would do."""
    ran = run("analyze", "--cluster", "local:0")
    assert (ran.code, ran.out) == (2, "")
    assert "'local:0'" in ran.err
    assert "'local:4'" in ran.err
