"""Levels of tanks and drums, and the time left at the rate of the last hours."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta

import pytest

from analytics.tanks import tanks
from skidhand.fleet import parse_fleet
from skidhand.model.quality import BAD
from skidhand.model.samples import micros, table
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore

NOW = datetime(2026, 3, 4, 9, tzinfo=UTC)
FLEET = parse_fleet("""
version: 1
fleet: Tansy Flat reuse
sites:
  - id: tansy-4
    name: Tansy 4 pad
    timezone: America/Chicago
    instruments: {LT-900: {unit: m, range: [0, 4], period: 60}}
    units:
      - {id: shared, type: buffer_tank, holds: treated-water, roles: {level: LT-900}, params: {area: 20, height: 4}}
skids:
  - id: tf-1
    name: Skid 1
    placements: [{site: tansy-4, from: 2026-01-15}]
    instruments:
      LT-401: {unit: m, range: [0, 1], period: 60}
      LT-700: {unit: "[ft_i]", range: [0, 10], period: 60}
    units:
      - {id: caustic, type: chemical, roles: {level: LT-401}}
      - {id: oil-tank, type: buffer_tank, holds: oil, roles: {level: LT-700}, limits: {level_high: 9, level_low: 1}}
""").fleet


def filled(hours: int = 24, **levels) -> MemoryStore:
    """A store with a level a minute; each of ``levels`` gives m (or ft) at that many hours ago, None for Bad."""
    store, rows = MemoryStore(), []
    for name, level in levels.items():
        series = {"shared": "tansy-4/LT-900", "caustic": "tf-1/LT-401", "oil": "tf-1/LT-700"}[name]
        for minute in range(hours * 60):
            at, value = micros(NOW - timedelta(minutes=minute)), level(minute / 60)
            rows.append((series, at, value, BAD if value is None else 0, at))
    store.write(Batch(writer=str(uuid.uuid4()), number=1, digest="a", samples=table(rows)))
    return store


def test_time_to_full_and_to_empty_is_the_rate_carried_on():
    """0.2 m an hour with 1 m to the brim is 5 h; a drum that loses 0.01 m an hour at 0.3 m lasts 30 h."""
    store = filled(shared=lambda ago: 3.0 - 0.2 * ago, caustic=lambda ago: 0.3 + 0.01 * ago)
    shared, caustic, oil = tanks(store, FLEET, now=NOW)
    assert (shared.place, shared.unit, shared.holds, shared.end) == ("tansy-4", "shared", "treated-water", "full")
    assert shared.left / timedelta(hours=1) == pytest.approx(5.0, abs=0.3)
    assert (caustic.place, caustic.unit, caustic.end) == ("tf-1", "caustic", "empty")
    assert caustic.left / timedelta(hours=1) == pytest.approx(30, abs=1.5)
    assert (oil.unit, oil.level, oil.left, oil.share) == ("oil-tank", None, None, None)


def test_the_time_left_counts_from_now_not_from_the_last_reading():
    """With 0.8 m an hour and 1 m to the brim when the link was lost an hour ago, a quarter of an hour is left."""
    store = filled(shared=lambda ago: None if ago < 1 else 3.0 - 0.8 * (ago - 1))
    (shared,) = tanks(store, FLEET, now=NOW, places=["tansy-4"])
    assert (shared.end, shared.level) == ("full", pytest.approx(3.0, abs=0.05))
    assert shared.left / timedelta(hours=1) == pytest.approx(0.25, abs=0.1)
    (late,) = tanks(store, FLEET, now=NOW + timedelta(hours=1), places=["tansy-4"])
    assert (late.end, late.left) == ("full", timedelta())


def test_a_level_stays_in_its_own_unit_and_its_share_counts_from_the_lowest_usable():
    """5 ft between 1 and 9 ft is half; without movement there is no time left to tell."""
    every = tanks(filled(oil=lambda _: 5.0), FLEET, now=NOW, places=["tf-1"])
    (oil,) = [one for one in every if one.unit == "oil-tank"]
    assert (oil.level, oil.code, oil.end, oil.left) == (5.0, "[ft_i]", None, None)
    assert oil.share == pytest.approx(0.5)


def test_a_truck_begins_the_rate_anew():
    """It filled 0.3 m an hour, a truck took 2 m an hour ago: 1.5 m and rising, not falling."""
    store = filled(shared=lambda ago: 1.5 - 0.3 * ago if ago <= 1 else 3.5 - 0.3 * ago)
    (shared,) = tanks(store, FLEET, now=NOW, places=["tansy-4"])
    assert shared.end == "full"
    assert shared.left / timedelta(hours=1) == pytest.approx(2.5 / 0.3, rel=0.1)


def test_what_is_bad_or_old_is_no_level():
    """Bad samples are no reading, and a reading of yesterday tells nothing of now."""
    assert tanks(filled(shared=lambda _: None), FLEET, now=NOW, places=["tansy-4"])[0].level is None
    assert tanks(filled(shared=lambda _: 1.0), FLEET, now=NOW + timedelta(hours=4), places=["tansy-4"])[0].level is None
