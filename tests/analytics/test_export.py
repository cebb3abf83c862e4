"""Exports: every format, honest gaps, safe cells, the same bytes again."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from datetime import timedelta

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import yaml

from analytics import export_excel
from analytics.export import Request, export, series_names
from analytics.export_dictionary import dictionary, dictionary_csv
from analytics.export_excel import write_excel
from analytics.export_files import harmless
from analytics.lab import Correction
from skidhand.errors import NotFoundError, UserError
from skidhand.fleet import parse_fleet
from skidhand.model.quality import BAD, UNCERTAIN
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from skidhand.units import convert
from tests.analytics.plant import FLEET, T0, fleet, samples, steady, view

HOUR = timedelta(hours=1)
SECOND = timedelta(seconds=1)


@pytest.fixture
def store():
    """Two days of a skid with a gap, an Uncertain sample and a Bad one."""
    series = steady(30, step=60.0)
    series["PDT-1"] = [r for r in series["PDT-1"] if not 3600 <= r[0] < 7200]
    series["PDT-1"][0] = (0.0, 4.0, UNCERTAIN)
    series["PDT-1"][1] = (60.0, None, BAD)
    made = MemoryStore()
    made.write(Batch("w", 1, "x", samples(series)))
    return made


def exported(store, format, **request):
    """The bytes of an export, and what it says of itself."""
    out = io.BytesIO()
    request = {"skid": "sk-1", "start": T0, "end": T0 + 3 * HOUR, **request}
    told = export(store, fleet(), Request(**request), format=format, out=out)
    return out.getvalue(), told


def rows_of_csv(data):
    """Rows of a CSV by the standard reader."""
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


def test_raw_csv_is_rfc_4180_and_true_to_the_store(store):
    """CRLF after each record, a header, values and units as declared, codes of quality, Bad left out by policy."""
    data, told = exported(store, "csv", names=("PDT-1",), policy="all")
    assert data.count(b"\r\n") == told.rows + 1 == data.count(b"\n")
    rows = rows_of_csv(data)
    assert rows[0] == {
        "time": "2026-03-01T00:00:00.000000Z", "series": "PDT-1", "value": "4.0", "unit": "[psi]",
        "quality": str(UNCERTAIN), "received": "2026-03-01T00:00:01.000000Z",
    }  # fmt: skip
    assert (rows[1]["value"], rows[1]["quality"]) == ("", str(BAD))
    assert len(rows) == 120
    assert len(rows_of_csv(exported(store, "csv", names=("PDT-1",), policy="usable")[0])) == 119
    assert len(rows_of_csv(exported(store, "csv", names=("PDT-1",), policy="good")[0])) == 118


def test_cleaned_minutes_show_their_gaps(store):
    """Every minute stands there; one without a usable value is empty and flagged."""
    rows = rows_of_csv(exported(store, "csv", names=("PDT-1",), stage="cleaned")[0])
    assert len(rows) == 180
    empty = [i for i, row in enumerate(rows) if row["value"] == ""]
    assert empty == [1, *range(60, 120)]
    assert {rows[i]["flags"] for i in empty} == {"1"}
    assert rows[0]["flags"] == "2"


def test_resolutions_snap_and_hold_their_means(store):
    """700 s becomes 900 s; a bucket's mean is that of its minutes; a bucket in the gap is empty."""
    data, told = exported(store, "csv", names=("PDT-1",), stage="cleaned", resolution=700)
    assert told.width == 900
    rows = rows_of_csv(data)
    assert [row["time"][11:16] for row in rows[:3]] == ["00:00", "00:15", "00:30"]
    assert float(rows[1]["value"]) == pytest.approx(4.0, abs=0.05)
    assert [i for i, row in enumerate(rows) if row["value"] == ""] == [4, 5, 6, 7]
    raw = rows_of_csv(exported(store, "csv", names=("PDT-1",), resolution=900)[0])
    assert float(raw[1]["mean"]) == pytest.approx(float(rows[1]["value"]), abs=0.01)
    assert raw[1]["count"] == "15"


def test_a_state_is_never_averaged(store):
    """The coarse value of a state is the last one in the bucket."""
    store.write(Batch("w", 2, "y", samples({"XS-1": [(1800.0, 1.0, 0)]})))
    rows = rows_of_csv(exported(store, "csv", names=("XS-1",), stage="cleaned", resolution=3600)[0])
    assert [row["value"] for row in rows] == ["1.0", "1.0", "1.0"]


def test_derived_series_come_in_their_own_unit(store):
    """Normalised drop near 4 psi in kPa; a raw export of it is refused with a reason."""
    rows = rows_of_csv(exported(store, "csv", names=("filter-a.dp_normalised",), stage="cleaned")[0])
    assert rows[5]["unit"] == "kPa"
    assert float(rows[5]["value"]) == pytest.approx(convert(4.0, "[psi]", "kPa") * 40 / 38, rel=0.05)
    with pytest.raises(NotFoundError, match="derived series are cleaned"):
        exported(store, "csv", names=("filter-a.dp_normalised",))


def test_parquet_carries_units_legend_and_versions(store):
    """The file explains itself: UCUM units, quality legend, fleet digest, store version, request."""
    data, told = exported(store, "parquet")
    table = pq.read_table(io.BytesIO(data))
    meta = json.loads(table.schema.metadata[b"skidhand"])
    assert len(table) == told.rows
    assert meta["units"]["PDT-1"] == "[psi]"
    assert (meta["fleet_version"], meta["store_version"]) == (fleet().digest, told.version)
    assert meta["quality"]["0x80000000"] == "Bad"
    skid = json.loads(table.schema.metadata[b"skidhand_skid"])
    assert parse_fleet(yaml.safe_dump(yaml.safe_load(FLEET) | {"skids": [skid]})).fleet.skids == fleet().fleet.skids
    assert b"roster" not in table.schema.metadata[b"skidhand_skid"]  # no person leaves with the figures
    assert table.schema.field("time").type == pa.timestamp("us", tz="UTC")


def test_json_is_one_document(store):
    """``meta`` and ``rows``; what is not known is null."""
    document = json.loads(exported(store, "json", names=("PDT-1",), policy="all")[0])
    assert document["rows"][1]["value"] is None
    assert document["rows"][0]["time"] == "2026-03-01T00:00:00Z"
    assert document["meta"]["units"] == {"PDT-1": "[psi]"}
    assert json.loads(exported(store, "json", start=T0 - HOUR, end=T0)[0])["rows"] == []


@pytest.mark.parametrize("format", ["csv", "json", "parquet"])
@pytest.mark.parametrize("stage", ["raw", "cleaned"])
def test_the_same_request_gives_the_same_bytes(store, format, stage):
    """Twice the same, and the same again by ``as_of`` after more data have come."""
    request = {"stage": stage, "end": T0 + 26 * HOUR}
    first, told = exported(store, format, **request)
    assert hashlib.sha256(exported(store, format, **request)[0]).digest() == hashlib.sha256(first).digest()
    store.write(Batch("w", 2, "y", samples({"PDT-1": [(3600.0, 9.0, 0)]})))
    assert exported(store, format, **request)[0] != first
    again = io.BytesIO()
    wanted = Request("sk-1", T0, T0 + 26 * HOUR, stage=stage)
    export(store, fleet(), wanted, format=format, out=again, as_of=told.version)
    assert again.getvalue() == first


def test_cells_are_safe_against_formulas():
    """What a spreadsheet would run is made text; what it would not stays."""
    assert [harmless(t) for t in ("=1+1", "+1", "-1", "@x", "\tx", "PT-1", "[psi]")] == [
        "'=1+1", "'+1", "'-1", "'@x", "'\tx", "PT-1", "[psi]",
    ]  # fmt: skip


def test_wrong_requests_are_refused_with_the_valid_choice(store):
    """Unknown skid or series, empty span, naive time, no such resolution or format: a clear UserError."""
    for wrong, words in (
        ({"skid": "sk-9"}, "there are sk-1"),
        ({"names": ("PT-9",)}, "there are AT-1"),
        ({"end": T0}, "must lie before"),
        ({"start": T0.replace(tzinfo=None)}, "time zone"),
        ({"resolution": 100_000}, "86400"),
    ):
        with pytest.raises(UserError, match=words):
            exported(store, "csv", **wrong)
    with pytest.raises(UserError, match="csv, json, parquet"):
        exported(store, "xml")


def test_a_path_is_replaced_only_when_all_is_written(store, tmp_path):
    """A failure leaves the old file and no half one."""
    path = tmp_path / "month.csv"
    path.write_text("old")
    with pytest.raises(UserError):
        export(store, fleet(), Request("sk-1", T0, T0), format="csv", out=path)
    assert path.read_text() == "old"
    export(store, fleet(), Request("sk-1", T0, T0 + HOUR), format="csv", out=path)
    assert path.read_text().startswith("time,series,value")
    assert [p.name for p in tmp_path.iterdir()] == ["month.csv"]


def test_names_are_listed():
    """Tags and the derived series that the instruments allow."""
    assert series_names(view()) == ["AT-1", "FT-1", "PDT-1", "TT-1", "XS-1", "filter-a.dp_normalised"]


def test_excel_keeps_text_text_and_its_bytes(store):
    """Rows, times and units stand in the sheet, the request beside it; the same request gives the same bytes."""
    first, told = exported(store, "xlsx", names=("PDT-1",))
    book = openpyxl.load_workbook(io.BytesIO(first), read_only=True)
    rows = list(book["data"].iter_rows(values_only=True))
    assert len(rows) == told.rows + 1
    assert rows[0][:4] == ("time (UTC)", "series", "value", "unit")
    assert rows[1] == (T0.replace(tzinfo=None), "PDT-1", 4.0, "[psi]", UNCERTAIN, T0.replace(tzinfo=None) + SECOND)
    assert ("skid", "sk-1") in list(book["about"].iter_rows(values_only=True))
    assert exported(store, "xlsx", names=("PDT-1",))[0] == first


def test_excel_runs_no_formula_and_knows_its_limit(monkeypatch):
    """Text that looks like a formula stays text; too many rows are refused with what to do."""
    schema = pa.schema([("a", pa.string())])
    table = pa.table({"a": ["=1+1", "@x"]})
    out = io.BytesIO()
    write_excel(iter([table]), schema, {}, out)
    cells = [row[0] for row in openpyxl.load_workbook(out)["data"].iter_rows(min_row=2)]
    assert [(cell.value, cell.data_type) for cell in cells] == [("=1+1", "s"), ("@x", "s")]
    monkeypatch.setattr(export_excel, "MOST_ROWS", 2)
    with pytest.raises(UserError, match="resolution"):
        write_excel(iter([table]), schema, {}, io.BytesIO())


def test_an_unknown_version_writes_nothing(store):
    """What cannot be read is told before anything is written."""
    out = io.BytesIO()
    with pytest.raises(NotFoundError, match="999"):
        export(store, fleet(), Request("sk-1", T0, T0 + HOUR), format="csv", out=out, as_of="999")
    assert out.getvalue() == b""


def test_a_store_without_earlier_states_does_not_pretend(store, monkeypatch):
    """Asked for a version it cannot give, it refuses with its reason instead of giving what it holds now."""
    monkeypatch.setattr(MemoryStore, "lacks", {"as_of": "it keeps no history"})
    with pytest.raises(UserError, match="keeps no history"):
        export(store, fleet(), Request("sk-1", T0, T0 + HOUR), format="csv", out=io.BytesIO(), as_of="1")
    assert exported(store, "csv")[1].rows > 0


def test_the_dictionary_tells_each_series():
    """Every name of an export has one row with its UCUM unit, range and meaning, also as CSV."""
    names = series_names(view())
    rows = dictionary(view(), names)
    assert [row["name"] for row in rows] == names
    by = {row["name"]: row for row in rows}
    assert (by["PDT-1"]["unit"], by["PDT-1"]["low"], by["PDT-1"]["high"]) == ("[psi]", 0.0, 30.0)
    assert by["PDT-1"]["role"] == "filter-a.dp"
    assert by["filter-a.dp_normalised"]["unit"] == "kPa"
    assert "2147483648 (0x80000000) Bad" in by["FT-1"]["quality"]
    assert by["filter-a.dp_normalised"]["flags"].endswith("1 gap; 2 uncertain; 4 range; 8 spike; 16 frozen; 32 held")
    assert len(rows_of_csv(dictionary_csv(view(), names))) == len(names)


def test_a_corrected_value_stands_beside_the_reading(store):
    """(reading - 1)/2 from an hour after the start on, a gap where nothing was compared; the reading is as before."""
    one = Correction("FT-1", "[gal_us]/min", 2.0, 1.0, 37.5, 38.5, 12, "1.abc", T0 + HOUR)
    name = "filter-a.flow_corrected"
    request = Request("sk-1", T0, T0 + 3 * HOUR, ("FT-1", name), "cleaned", policy="all")
    out = io.BytesIO()
    export(store, fleet(), request, format="json", out=out, corrections={"FT-1": one})
    told = json.loads(out.getvalue())
    rows = {(row["time"], row["series"]): row["value"] for row in told["rows"]}
    raw = {time: value for (time, series), value in rows.items() if series == "FT-1"}
    seen = sorted(raw)
    expected = [(raw[t] - 1) / 2 if i >= 60 and 37.5 <= raw[t] <= 38.5 else None for i, t in enumerate(seen)]
    assert [rows[t, name] for t in seen] == pytest.approx(expected)
    assert 60 < expected.count(None) < 150
    assert told["meta"]["corrections"] == {name: "1.abc"}
    plain = io.BytesIO()
    export(
        store, fleet(), Request("sk-1", T0, T0 + 3 * HOUR, ("FT-1",), "cleaned", policy="all"), format="json", out=plain
    )
    alone = {row["time"]: row["value"] for row in json.loads(plain.getvalue())["rows"]}
    assert alone == raw
    assert name in series_names(view(), {"FT-1": one})
    assert "(version 1.abc)" in dictionary(view(), [name], {"FT-1": one})[0]["means"]
    with pytest.raises(NotFoundError, match="derived series are cleaned"):
        export(
            store, fleet(), Request("sk-1", T0, T0 + HOUR, (name,)), format="csv", out=out, corrections={"FT-1": one}
        )
