"""Recordings: read through a map, in its own times and our units; samples written and read again."""

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator import generate, load_scenario
from simulator.recording import read_recording, read_samples, write_samples
from simulator.recording_map import RecordingMap, load_map
from skidhand.errors import InputFileError
from skidhand.fleet import parse_fleet
from skidhand.model.quality import BAD, GOOD
from skidhand.model.samples import SAMPLES, micros

FLEET = parse_fleet(
    """
version: 1
fleet: rig
sites: [{id: hall, name: Hall, timezone: UTC}]
skids:
  - id: rig-1
    name: Rig 1
    placements: [{site: hall, from: 2026-01-01}]
    instruments: {PDT-1: {unit: kPa}, FT-1: {unit: "m3/h"}}
"""
).fleet
START = datetime(2026, 1, 2, tzinfo=UTC)
MAP = {
    "version": 1,
    "time": {"column": "t", "format": "seconds", "start": "2026-01-02T00:00:00Z"},
    "columns": [
        {"column": "dp", "skid": "rig-1", "tag": "PDT-1", "unit": "[psi]"},
        {"column": "flow", "skid": "rig-1", "tag": "FT-1", "unit": "L/min", "scale": 0.001, "offset": 1},
    ],
}


def mapped(folder, **changes):
    """The map above with changes, as loaded from a file."""
    path = folder / "map.yaml"
    path.write_text(yaml.safe_dump({**MAP, **changes}), encoding="utf-8")
    return load_map(path, FLEET)


def read(path, recording_map, **options):
    """All samples as one table."""
    return pa.concat_tables(read_recording(path, recording_map, FLEET, **options))


def frame(n=5):
    """A small recording."""
    return pd.DataFrame({"t": np.arange(n) * 0.1, "dp": np.arange(n) + 1.0, "flow": np.full(n, 59_000.0)})


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_columns_become_tags_in_their_own_units(tmp_path, suffix):
    """1 psi is 6.894757 kPa (exact by definition); flow is scaled to 60 L/min, which is 3.6 m³/h."""
    path = tmp_path / f"r{suffix}"
    frame().to_csv(path, index=False) if suffix == ".csv" else frame().to_parquet(path)
    table = read(path, mapped(tmp_path))
    assert table.schema.equals(SAMPLES)
    assert table["series"].to_pylist()[:4] == ["rig-1/PDT-1", "rig-1/FT-1"] * 2
    np.testing.assert_allclose(table["value"].to_pylist()[:3], [6.894757293, 3.6, 13.789514586], rtol=1e-9)
    times = table["time"].cast(pa.int64()).to_pylist()
    assert times[:4] == [micros(START), micros(START), micros(START) + 100_000, micros(START) + 100_000]
    assert table["received"].equals(table["time"])


def test_a_drop_is_the_difference_of_two_columns_and_time_can_be_stretched(tmp_path):
    """59,000 less 1, 2, … scaled; each second of the recording becomes a minute."""
    column = {**MAP["columns"][1], "minus": "dp", "unit": None, "scale": 1, "offset": 0}
    frame(3).to_parquet(tmp_path / "r.parquet")
    table = read(tmp_path / "r.parquet", mapped(tmp_path, columns=[column], time={**MAP["time"], "scale": 60}))
    assert table["value"].to_pylist() == [58_999, 58_998, 58_997]
    assert np.diff(table["time"].cast(pa.int64()).to_numpy()).tolist() == [6_000_000, 6_000_000]


def test_an_empty_value_is_no_reading(tmp_path):
    """Missing and infinite values become null and Bad; the others beside them stay."""
    data = frame(3)
    data.loc[1, "dp"] = np.nan
    data.loc[2, "dp"] = np.inf
    data.to_parquet(tmp_path / "r.parquet")
    table = read(tmp_path / "r.parquet", mapped(tmp_path)).to_pandas()
    assert table["value"].isna().tolist() == [False, False, True, False, True, False]
    assert table["quality"].tolist() == [GOOD, GOOD, BAD, GOOD, BAD, GOOD]


@pytest.mark.parametrize(
    ("format", "values"),
    [
        ("rfc3339", ["2026-01-02T00:00:00Z", "2026-01-02T01:00:00.5+01:00"]),
        ("rfc3339", ["2026-01-02 00:00:00", "2026-01-02 00:00:00.5"]),
        ("epoch-s", [1767312000.0, 1767312000.5]),
        ("epoch-ms", [1767312000000, 1767312000500]),
        ("epoch-us", [1767312000000000, 1767312000500000]),
        ("%d.%m.%Y %H:%M:%S.%f", ["02.01.2026 00:00:00.0", "02.01.2026 00:00:00.5"]),
    ],
)
def test_times_are_read_as_the_map_says(tmp_path, format, values):
    """Each way of writing two instants half a second apart gives the same microseconds."""
    data = frame(2).assign(t=values)
    data.to_csv(tmp_path / "r.csv", index=False)
    table = read(tmp_path / "r.csv", mapped(tmp_path, time={"column": "t", "format": format}))
    times = table["time"].cast(pa.int64()).to_pylist()
    assert [times[0] - micros(START), times[2] - times[0]] == [0, 500_000]


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(1, 9), min_size=1, max_size=6), st.integers(1, 12))
def test_runs_are_laid_end_to_end_however_the_file_is_cut(tmp_path_factory, lengths, rows):
    """Time always rises, by the gap between runs and by the recording's own step within one."""
    folder = tmp_path_factory.mktemp("runs")
    data = pd.concat([frame(n).assign(sample=i) for i, n in enumerate(lengths)])
    data.to_parquet(folder / "r.parquet")
    recording_map = mapped(folder, run={"column": "sample", "gap_s": 5})
    table = read(folder / "r.parquet", recording_map, rows=rows)
    times = table["time"].cast(pa.int64()).to_numpy()[::2]
    steps = np.diff(times).tolist()
    expected = [step for n in lengths for step in [100_000] * (n - 1) + [5_000_000]][:-1]
    assert times[0] == micros(START)
    assert steps == expected


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"version": 2}, r"version: Input should be 1 \(got 2\)"),
        ({"time": {"column": "t", "format": "seconds"}}, "time: 'start' is needed with format 'seconds'"),
        ({"time": {"column": "t", "format": "epoch-s", "scale": 2}}, "time: 'scale' stretches only"),
        ({"time": {"column": "t", "format": "noon"}}, "time: format must be rfc3339, seconds, epoch-s"),
        ({"columns": [{"column": "dp", "skid": "x", "tag": "PDT-1"}]}, "columns.0: no skid 'x'.*rig-1"),
        ({"columns": [{"column": "dp", "skid": "rig-1", "tag": "X"}]}, "columns.0: .*no instrument 'X'; it has PDT-1"),
        (
            {"columns": [{"column": "dp", "skid": "rig-1", "tag": "PDT-1", "unit": "Cel"}]},
            "columns.0: cannot turn 'Cel' into 'kPa'",
        ),
    ],
)
def test_a_wrong_map_is_named(tmp_path, changes, message):
    """The error carries the file, the field, the value and what would do."""
    with pytest.raises(InputFileError, match=r"map\.yaml: .*" + message):
        mapped(tmp_path, **changes)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("t,dp\n0,1\n", "no column flow; it has t, dp"),
        ("t,dp,flow\n0,high,1\n", "column 'dp' holds something that is no number"),
        ("t,dp,flow\nsoon,1,1\n", "column 't' does not hold times as 'seconds'"),
        ("t,dp,flow\n,1,1\n", "a time is missing or not finite"),
    ],
)
def test_a_wrong_recording_is_named(tmp_path, text, message):
    """A missing column, a word for a number, a word for a time and an empty time are told apart."""
    (tmp_path / "r.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError, match=r"r\.csv: .*" + message):
        read(tmp_path / "r.csv", mapped(tmp_path))


def test_files_that_are_no_recordings_are_refused(tmp_path):
    """Another suffix, a missing file and broken Parquet each name the file."""
    recording_map = RecordingMap.model_validate(MAP)
    (tmp_path / "r.txt").touch()
    (tmp_path / "bad.parquet").write_bytes(b"no parquet")
    for name in ("r.txt", "gone.csv", "bad.parquet"):
        with pytest.raises(InputFileError, match=name):
            read(tmp_path / name, recording_map)


def test_simulated_samples_survive_the_file(tmp_path):
    """Written and read again the samples are the same, row by row."""
    chunks = [chunk.samples for chunk in generate(load_scenario("demo"), hours=1, skids=1, chunk_hours=0.5)]
    count = write_samples(chunks, tmp_path / "s.parquet")
    back = pa.concat_tables(read_samples(tmp_path / "s.parquet"))
    assert back.equals(pa.concat_tables(chunks))
    assert back.num_rows == count


def test_a_file_of_something_else_is_not_read_as_samples(tmp_path):
    """Other columns, or no Parquet at all, are refused by name."""
    frame().to_parquet(tmp_path / "r.parquet")
    (tmp_path / "bad.parquet").write_bytes(b"no parquet")
    for name in ("r.parquet", "bad.parquet", "gone.parquet"):
        with pytest.raises(InputFileError, match=name):
            list(read_samples(tmp_path / name))
