"""Samples of a scenario: complete, in order of arrival, the same for every cut and on every run."""

import hashlib
import os
import subprocess
import sys
from datetime import timedelta

import numpy as np
import pyarrow as pa
import pytest

from simulator import generate, load_scenario
from simulator.streams import generator
from skidhand.errors import InputFileError
from skidhand.model.samples import SAMPLES, micros
from tests.simulator.story import scenario


def joined(chunks):
    """Samples by skid, in the order in which they came."""
    found = {}
    for chunk in chunks:
        found.setdefault(chunk.skid, []).append(chunk.samples)
    return {skid: pa.concat_tables(tables).combine_chunks() for skid, tables in found.items()}


def fingerprint(table):
    """SHA-256 over all columns."""
    digest = hashlib.sha256()
    for column in table.columns:
        digest.update(repr(column.to_pylist()).encode())
    return digest.hexdigest()


def ints(table, name):
    """A time column as µs."""
    return table[name].cast(pa.int64()).to_numpy()


def test_equal_seeds_give_equal_samples_and_others_do_not():
    """The whole table is the same for one seed, whatever ran before, and another one for another seed."""
    demo = load_scenario("demo")
    one, two, other = (joined(generate(demo, hours=1, skids=1, seed=s))["tf-skid-1"] for s in (5, 5, 6))
    assert fingerprint(one) == fingerprint(two)
    assert fingerprint(one) != fingerprint(other)


def test_random_numbers_are_pinned():
    """PCG64 seeded by SHA-256 of the purpose: these numbers must never change, or old scenarios would."""
    drawn = generator(1, "tf-skid-1", "feed/oil").random(2)
    assert drawn.tolist() == [0.6081379978706953, 0.18805945426037962]


def an_hour():
    """Fingerprint of the samples of an hour of a long train."""
    return fingerprint(joined(generate(load_scenario("long-trains"), hours=1, skids=1))["mr-long"])


def dispatched():
    """What numpy has for newer processors and uses here, by its own names (numpy has no public list)."""
    umath = sys.modules.get("numpy._core._multiarray_umath") or sys.modules["numpy.core._multiarray_umath"]
    return [name for name in umath.__cpu_dispatch__ if umath.__cpu_features__[name]]


@pytest.mark.skipif(not dispatched(), reason="numpy has nothing for newer processors that this one knows")
def test_the_processor_makes_no_difference():
    """A process whose numpy leaves out what it has for newer processors draws the same samples to the last digit."""
    script = "from tests.simulator.test_generate import an_hour, dispatched; print(an_hour(), dispatched())"
    older = {**os.environ, "NPY_DISABLE_CPU_FEATURES": " ".join(dispatched())}
    done = subprocess.run([sys.executable, "-c", script], env=older, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == f"{an_hour()} []"


@pytest.mark.parametrize("cut", [0.25, 1.3, 6])
def test_chunks_of_any_length_give_the_same_rows(tmp_path, cut):
    """An outage, late scans and report-on-change included, only the cut differs."""
    story = [{"event": "comms-outage", "at": 0.5, "hours": 0.7}]
    played = scenario(tmp_path, story, skid="tf-skid-2", hours=2, carrier={"late": 0.05, "dropped": 0.01})
    whole = joined(generate(played, chunk_hours=2))["tf-skid-2"]
    assert joined(generate(played, chunk_hours=cut))["tf-skid-2"].equals(whole)


def test_chunks_come_in_time_order_and_hold_what_arrives_in_them():
    """Each chunk has the schema, rising receive times within its span, and follows on the one before."""
    demo = load_scenario("demo")
    chunks = list(generate(demo, hours=2, chunk_hours=0.5))
    assert [chunk.skid for chunk in chunks[:4]] == ["tf-skid-1", "tf-skid-2", "tf-skid-3", "tf-skid-1"]
    assert [chunk.start for chunk in chunks] == sorted(chunk.start for chunk in chunks)
    for chunk in chunks:
        assert chunk.samples.schema.equals(SAMPLES)
        received = ints(chunk.samples, "received")
        assert (np.diff(received) >= 0).all()
        assert micros(chunk.start) <= received[0]
        assert received[-1] < micros(chunk.end)
    assert chunks[-1].end == demo.start + timedelta(hours=2)


def test_every_instrument_reports_as_often_as_it_promises():
    """Periodic tags give one sample a period less the few that are lost; keys are unique."""
    demo = load_scenario("demo")
    table = joined(generate(demo, hours=3, skids=1))["tf-skid-1"]
    counts = {row["values"].as_py(): row["counts"].as_py() for row in table["series"].value_counts()}
    for tag, declared in demo.fleet.skid("tf-skid-1").instruments.items():
        if declared.reporting == "periodic":
            expected = 3 * 3600 / (declared.expected_s or 10)
            assert expected - 12 <= counts[f"tf-skid-1/{tag}"] <= expected, tag
    keys = set(zip(table["series"].to_pylist(), ints(table, "time").tolist(), strict=True))
    assert len(keys) == table.num_rows


def test_readings_are_in_the_declared_units():
    """40 gpm, 60 psi in, 30 psi out, 77 °F: the fleet file's units, whatever the plant counts in."""
    table = joined(generate(load_scenario("calm"), hours=2, skids=1))["tf-skid-1"].to_pandas()
    medians = table.groupby("series")["value"].median()
    for tag, expected in (("FT-201", 40), ("PT-201", 60), ("PT-202", 30), ("TT-110", 76)):
        assert medians[f"tf-skid-1/{tag}"] == pytest.approx(expected, rel=0.05), tag


def test_an_outage_is_back_filled_with_the_old_source_times(tmp_path):
    """Nothing arrives during the outage; all of it comes after, by its own source times, none is lost to it."""
    story = [{"event": "comms-outage", "at": 0.5, "hours": 1}]
    played = scenario(tmp_path, story, hours=2, carrier={"dropped": 0})
    table = joined(generate(played))["tf-skid-1"]
    base = micros(played.start)
    minute = (ints(table, "received") - base) / 60e6
    assert not ((minute > 31) & (minute < 90)).any()
    source = (ints(table, "time") - base) / 60e6
    held = (source >= 30) & (source < 90)
    assert (minute[held] >= 90).all()
    flows = np.sort(source[held & (np.array(table["series"].to_pylist()) == "tf-skid-1/FT-201")])
    assert len(flows) == 360


def test_a_clock_that_is_off_shifts_source_times_only(tmp_path):
    """Source times carry the skid's clock error, receive times do not."""
    table = joined(generate(scenario(tmp_path, [], hours=0.2, carrier={"clock_offset_s": 90.0})))["tf-skid-1"]
    lead = ints(table, "time") - ints(table, "received")
    assert 80e6 < np.median(lead) < 90e6


def test_a_link_loses_and_delays_the_shares_that_it_should(tmp_path):
    """A twentieth of the samples never comes; a tenth of the scans comes late, by a minute at most."""
    carriers = ({"dropped": 0.0, "late": 0.0}, {"dropped": 0.05, "late": 0.1})
    whole, poor = (
        pa.concat_tables(c.samples for c in generate(scenario(tmp_path, [], hours=6, carrier=carrier), skids=1))
        for carrier in carriers
    )
    assert poor.num_rows == pytest.approx(0.95 * whole.num_rows, rel=0.01)
    behind = (poor["received"].cast("int64").to_numpy() - poor["time"].cast("int64").to_numpy()) / 1e6
    assert (behind > 1.0).mean() == pytest.approx(0.1, abs=0.02)
    assert 50.0 < behind.max() <= 61.0


def test_what_cannot_be_played_is_refused():
    """A span that is not positive is an error, not an empty stream."""
    with pytest.raises(ValueError, match="above 0, got 0 and 6"):
        next(generate(load_scenario("demo"), hours=0))


def test_a_period_between_scans_is_refused(tmp_path):
    """Scans come every 10 s; an instrument that promises every 15 s cannot be played and is named."""
    text = load_scenario("demo").fleet_path.read_text(encoding="utf-8")
    (tmp_path / "odd.yaml").write_text(text.replace("PT-120: {", "PT-120: {period: 15, "), encoding="utf-8")
    (tmp_path / "s.yaml").write_text(
        "{version: 1, scenario: x, fleet: odd.yaml, start: 2026-03-02T00:00:00Z, hours: 1}", encoding="utf-8"
    )
    with pytest.raises(InputFileError, match=r"tf-skid-1: PT-120 reports every 15 s; .*multiples of 10 s"):
        list(generate(load_scenario(tmp_path / "s.yaml"), hours=0.1))


def test_an_instrument_without_a_plant_behind_it_is_named(tmp_path):
    """An instrument that no role names has nothing to read: the error says which and what there is."""
    text = load_scenario("demo").fleet_path.read_text(encoding="utf-8")
    lost = text.replace("FT-303: {unit", "FT-999: {unit: bar, range: [0, 5]}\n      FT-303: {unit")
    (tmp_path / "lost.yaml").write_text(lost, encoding="utf-8")
    (tmp_path / "s.yaml").write_text(
        "{version: 1, scenario: x, fleet: lost.yaml, start: 2026-03-02T00:00:00Z, hours: 1}", encoding="utf-8"
    )
    with pytest.raises(InputFileError, match=r"tf-skid-2.*FT-999.*cyclone\.inlet_flow"):
        list(generate(load_scenario(tmp_path / "s.yaml"), hours=0.1))
