"""Noise-free states: what the instruments would read if they were perfect."""

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from simulator import generate, load_scenario, states_of
from simulator.states import STATES, write_states


def test_instruments_read_the_states(tmp_path):
    """The mean of an hour of readings is the mean of the states in the tag's unit, within the noise."""
    calm = load_scenario("calm")
    write_states(states_of(calm, hours=3, skids=1), tmp_path / "states.parquet")
    table = pq.read_table(tmp_path / "states.parquet")
    assert table.schema.equals(STATES)
    states = table.to_pandas()
    states = states[states["time"] >= "2026-04-06T01:00Z"].groupby("quantity")["value"].mean()
    samples = pa.concat_tables(c.samples for c in generate(calm, hours=3, skids=1)).to_pandas()
    samples = samples[samples["time"] >= "2026-04-06T01:00Z"].groupby("series")["value"].mean()
    gpm, psi, foot = 0.22712470704, 6.894757293168, 0.3048  # exact by definition, in m³/h, kPa and m
    for quantity, tag, factor in (
        ("cyclone.inlet_flow", "FT-201", gpm),
        ("cyclone.inlet_pressure", "PT-201", psi),
        ("filter-a.dp", "PDT-301", psi),
        ("weir-tank.level", "LT-110", foot),
        ("weir-tank.outlet_oil", "AT-110", 1.0),
    ):
        assert samples[f"tf-skid-1/{tag}"] * factor == pytest.approx(states[quantity], rel=0.02), tag


def test_states_cover_every_minute_of_every_skid():
    """One row a minute for each quantity of each of the skids asked for, across days."""
    tables = list(states_of(load_scenario("calm"), hours=25, skids=2))
    assert [table.num_rows % 60 for table in tables] == [0, 0, 0, 0]
    frame = pa.concat_tables(tables).to_pandas()
    counts = frame.groupby(["skid", "quantity"])["time"].nunique()
    assert set(counts) == {25 * 60}
    assert set(frame["skid"]) == {"tf-skid-1", "tf-skid-2"}
