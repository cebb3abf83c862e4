"""A tank that skids share, analysed under its site."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa

from analytics.detectors.tank_level import PLUGIN
from analytics.engine import Memory
from analytics.segments import minute_of, skids_of, tags_of
from analytics.walk import Walk, cut
from skidhand.fleet import parse_fleet
from skidhand.model.samples import SAMPLES

START = datetime(2026, 3, 1, tzinfo=UTC)
HOURS = 40
FLEET = """
version: 1
fleet: Sedge Hollow reuse
sites:
  - id: sedge-2
    name: Sedge 2 pad
    timezone: UTC
    instruments: {LT-800: {unit: m, range: [0, 4], period: 60}}
    units: [{id: shared-tank, type: buffer_tank, holds: treated-water, feeds: [], roles: {level: LT-800}, params: {area: 30, height: 4}}]
  - {id: sedge-3, name: Sedge 3 pad, timezone: UTC}
skids: []
"""  # noqa: E501


def samples() -> pa.Table:
    """A level that goes up and down by 20 cm, and from hour 32 on rises by half a metre an hour."""
    minutes = np.arange(HOURS * 60)
    noise = 0.002 * np.random.default_rng(2).standard_normal(len(minutes))
    waves = 0.2 * np.sin(np.minimum(minutes, 32 * 60) / 200.0) + noise
    level = np.minimum(2.0 + waves + 0.5 * np.maximum(minutes / 60.0 - 32.0, 0.0), 4.0)
    times = [START + timedelta(minutes=int(m)) for m in minutes]
    columns = [["sedge-2/LT-800"] * len(minutes), times, level, [0] * len(minutes), times]
    return pa.table(dict(zip(("series", "time", "value", "quality", "received"), columns, strict=True)), schema=SAMPLES)


def test_a_shared_tank_that_fills_up_is_told_under_its_site():
    """Only sites with tanks are analysed; the finding stands at the site, with the time to full and its interval."""
    versions = [(START, parse_fleet(FLEET))]
    assert skids_of(versions) == ["sedge-2"]
    assert tags_of(versions, "sedge-2") == ["LT-800"]
    first, table = minute_of(START), samples()
    walk = Walk("sedge-2", versions, {PLUGIN.name: PLUGIN}, Memory(), first)

    walk.go(first + HOURS * 60, lambda a, b: cut(table, a, b), block=1440, snapshots_from=2**40)

    [finding, *_] = [f for f in walk.ledger.revisions if f.kind == "tank-filling"]
    assert (finding.site, finding.skid, finding.unit) == ("sedge-2", "sedge-2", "shared-tank")
    assert finding.forecast is not None
    assert finding.forecast.low < finding.forecast.when < finding.forecast.high
    assert abs(finding.forecast.when - (START + timedelta(hours=36.07))) < timedelta(minutes=10)
