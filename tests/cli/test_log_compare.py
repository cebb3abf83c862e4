"""``skidhand log compare``: results and readings as the stores hold them."""

from __future__ import annotations

import json
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pyarrow as pa
import pytest

from board.app import make_app
from skidhand.clock import WallClock
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.model.samples import SAMPLES
from skidhand.settings import Board
from skidhand.stores import open_store
from skidhand.stores.base import Batch
from tests.analytics.test_lab import FLEET, MINUTE, T0, lab, story
from tests.board.conftest import client_of


def test_compare(run, home):
    """An analyser that reads 2 + 1.3 x is told with its slope and a correction; what stands alone says why.

    Its corrected values come out of the command and of the board's page in the same bytes.
    """
    values, read = story()
    times = [T0 + 1440 * i * MINUTE for i in range(len(values))]
    with Logbook("l.db") as book:
        book.guard_clock("stream")
        book.fleets.apply(parse_fleet(FLEET), effective=T0 - timedelta(days=1), who="test")
        for i, value in enumerate(values):
            book.entries.add(lab(1440 * i, float(value)))
        book.entries.add(lab(7, 3.0, point="filter-a"))
    store = open_store("lake")
    rows = {"series": ["tf-skid-1/AT-202"] * len(times), "time": times, "value": read, "quality": [0] * len(times),
            "received": times}  # fmt: skip
    store.write(Batch("w", 1, "d", pa.table(rows, schema=SAMPLES)))
    store.close()
    ran = run("log", "compare", "--skid", "tf-skid-1", "--logbook", "l.db", "--store", "lake", "--format", "json")
    assert ran.code == 0, ran.err
    (row,) = json.loads(ran.out)
    assert (row["tag"], row["pairs"], row["slope"]) == ("AT-202", 20, pytest.approx(1.3, abs=0.05))
    assert row["correction"].startswith("1.")
    assert "no good reading of AT-302" in ran.err
    wanted = ("tf-skid-1", "--since", str(T0), "--until", str(T0 + 1440 * 20 * MINUTE), "--cleaned", "--format", "json")
    places = ("--logbook", "l.db", "--store", "lake", "--out", "march.json")
    ran = run("export", *wanted, *places, "--series", "AT-202", "--series", "cyclone.outlet_oil_corrected")
    assert ran.code == 0, ran.err
    told = json.loads(Path("march.json").read_text())
    assert told["meta"]["corrections"] == {"cyclone.outlet_oil_corrected": row["correction"]}
    assert row["correction"] in Path("march.json.dictionary.csv").read_text()
    assert run("log", "compare", "--skid", "tf-skid-9", "--logbook", "l.db", "--store", "lake").code == 2
    assert on_the_page("l.db", "lake", told) == Path("march.json").read_bytes()


def on_the_page(logbook: str, lake: str, told: dict) -> bytes:
    """The same request, asked of the board's export page."""
    with Logbook(logbook) as book, closing(open_store(lake)) as store:
        app = make_app(store, book, Board(open=True), WallClock())
        asked = {
            "skid": "tf-skid-1", "since": told["meta"]["start"], "until": told["meta"]["end"], "stage": "cleaned",
            "format": "json", "series": ["AT-202", "cyclone.outlet_oil_corrected"],
        }  # fmt: skip
        answer = client_of(app).get("/export/file", params=asked)
        assert answer.status_code == 200, answer.text
        return answer.content
