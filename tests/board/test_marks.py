"""What a skid's trend marks: findings, prompts, backwashes, stops, gaps and the logbook's entries, at their times."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta

import pytest

from board.app import make_app
from skidhand.model.entry_kinds import make_entry
from skidhand.model.samples import micros, table
from skidhand.settings import Board
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.board import site
from tests.board.conftest import client_of
from tests.board.test_pages import plain

SILENT = (site.NOW - timedelta(hours=4), site.NOW - timedelta(hours=3))
STOOD = (site.NOW - timedelta(hours=2), site.NOW - timedelta(hours=1, minutes=30))
WASHED = (site.NOW - timedelta(minutes=50), site.NOW - timedelta(minutes=40))


def at(hours: float):
    """So long ago."""
    return site.NOW - timedelta(hours=hours)


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """A skid's page over twelve hours in which all of it happened."""
    text = site.fleet_text(site.THREE[:1])
    text = text.replace(
        "      XS-100:", '      XS-301: {unit: "1", reporting: on_change, interval: 600}\n      XS-100:'
    )
    text = text.replace("dp: PDT-301,", "dp: PDT-301, backwash: XS-301,")
    rows = []
    for minute in range(12 * 60):
        moment = site.NOW - timedelta(minutes=minute)
        if SILENT[0] <= moment < SILENT[1]:
            continue
        stamp = micros(moment)
        stands, washed = STOOD[0] <= moment < STOOD[1], WASHED[0] <= moment < WASHED[1]
        rows += [("tf-1/FT-201", stamp, 0.0 if stands else 40.0, 0, stamp),
                 ("tf-1/XS-100", stamp, 0.0 if stands else 1.0, 0, stamp),
                 ("tf-1/XS-301", stamp, float(washed), 0, stamp)]  # fmt: skip
    store = MemoryStore()
    store.write(Batch(writer=str(uuid.uuid4()), number=1, digest="m", samples=table(rows)))
    with site.logbook_of(str(tmp_path_factory.mktemp("marks") / "l.db"), text) as book:
        silent = site.finding("no-data", "skid", onset=SILENT[0], state="closed", ended=SILENT[1], severity="medium",
                              cause="carrier", run="g")  # fmt: skip
        split = site.finding(onset=at(1))
        site.put(book, silent, split)
        site.prompt(book, split, created=at(0.9))
        lab = {"analyte": "oil", "value": 12.5, "unit": "mg/L"}
        book.entries.add(make_entry("lab", at(5), "robin", skid="tf-1", text="", data=lab))
        book.entries.add(make_entry("note", at(30), "robin", skid="tf-1", text="long before", data={}))
        client = client_of(make_app(store, book, Board(open=True), site.clock()))
        yield client.get("/skids/tf-1?span=1d&tag=FT-201").text


def test_all_that_happened_is_marked_at_its_time(page):
    """Each in the list with its beginning and end in the site's time (Chicago), and nothing of another time."""
    text = plain(page)
    for told in (
        "02:00 until now: the split of cyclone has drifted",
        "02:06: prompt 4821: The split of cyclone has drifted",
        "Tue 23:00 – 00:00: no data arrive, its state is unknown",
        "01:00 – 01:30: stopped",
        "02:10 – 02:20: filter-a: backwash",
        "22:00: laboratory result: analyte oil; value 12.5 mg/L",
    ):
        assert told in text, f"{told}: {text[text.index('Marks') :][:900]}"
    assert "long before" not in text


def test_each_sort_has_a_lane_with_its_name_and_gaps_stand_in_the_trend_too(page):
    """Six lanes, named beside them; where no sample is, the trend itself is hatched and not bridged by a line."""
    names = re.search(r'<p class="scale names">(.*?)</p>', page)[1]
    assert re.findall(r"<span>(.*?)</span>", names) == ["finding", "prompt", "no data", "stopped", "wash", "logbook"]
    lanes, trend = re.findall(r'<svg class="trend.*?</svg>', page)
    assert 'class="trend lanes n6"' in lanes
    for sort in ("finding", "prompt", "gap", "stop", "wash", "entry"):
        assert f'<rect class="{sort}' in lanes, sort
    gaps = [
        (float(x), float(w)) for x, w in re.findall(r'<rect class="gap" x="([\d.]+)" y="0" width="([\d.]+)"', trend)
    ]
    day = 24.0
    silent = [(x, w) for x, w in gaps if x > 500]  # the first half of the day is before the skid's first sample
    assert len(silent) == 1
    assert silent[0][0] / 1000 * day == pytest.approx(20.0, abs=0.2)
    assert silent[0][1] / 1000 * day == pytest.approx(1.0, abs=0.2)
    line = re.search(r'<path class="mean" d="([^"]*)"', trend)[1]
    assert line.count("M") == 2  # one stroke before the gap, one after
