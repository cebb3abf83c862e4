"""Frozen readings as cleaning flags them: exact minutes, said once, tags shared by units spoken of once."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.sensor_frozen import PLUGIN
from analytics.frame import Flag
from tests.analytics.detectors import build, trains

VIEW = build.skid()
N = 400
T = np.arange(N)
LEVEL = ("tank", "level")


def flagged(start: int, stop: int) -> dict:
    """FROZEN on the tank's level in minutes [start, stop)."""
    return {LEVEL: np.where((start <= T) & (stop > T), int(Flag.FROZEN), 0)}


def test_said_once_and_closed_when_it_moves() -> None:
    """Flagged from 229 (still since 200) to 300: one finding, dated, closed after three moving minutes."""
    drafts = trains.said(PLUGIN, VIEW, "tank", trains.quiet(N), flags=flagged(229, 300))
    assert trains.words(drafts) == [(229, "frozen", "low", 200, None), (302, "frozen", "low", 200, 300)]
    assert {(d.unit, d.kind, d.run_key) for d in drafts} == {("LT-110", "sensor-frozen", drafts[0].run_key)}
    stood = next(n for n in drafts[1].evidence.numbers if n.name == "stood_still")
    assert (stood.value, stood.unit) == (100.0, "min")


def test_two_moving_minutes_do_not_end_it() -> None:
    """A reading that moves for two minutes and stands again is the same finding."""
    flags = {LEVEL: np.where((T >= 229) & ~np.isin(T, (250, 251)), int(Flag.FROZEN), 0)}
    assert len(trains.said(PLUGIN, VIEW, "tank", trains.quiet(N), flags=flags)) == 1


def test_gaps_do_not_end_it() -> None:
    """Minutes without samples are no movement."""
    values = trains.quiet(N)
    values[LEVEL][250:280] = np.nan
    flags = {LEVEL: np.where(((T >= 229) & (T < 250)) | (T >= 280), int(Flag.FROZEN), 0)}
    assert len(trains.said(PLUGIN, VIEW, "tank", values, flags=flags)) == 1


def test_quiet_train_says_nothing() -> None:
    """No flag, no finding, on any unit."""
    assert [d for unit in VIEW.units for d in trains.said(PLUGIN, VIEW, unit.id, trains.quiet(N))] == []


def test_shared_tag_is_spoken_of_once() -> None:
    """FT-100 stands under strainer and tank: only the strainer, which comes first, speaks of it."""
    flags = {key: np.where(T >= 229, int(Flag.FROZEN), 0) for key in (("strainer", "flow"), ("tank", "inlet_flow"))}
    said = {unit.id: trains.said(PLUGIN, VIEW, unit.id, trains.quiet(N), flags=flags) for unit in VIEW.units}
    assert [(unit, d.unit) for unit, drafts in said.items() for d in drafts] == [("strainer", "FT-100")]


@pytest.mark.parametrize("cut", [1, 228, 229, 230, 300, 301, 302])
def test_cuts_do_not_matter(cut: int) -> None:
    """Cut before, at and after each turn, the same drafts."""
    values, flags = trains.quiet(N), flagged(229, 300)
    whole = trains.said(PLUGIN, VIEW, "tank", values, flags=flags)
    assert trains.said(PLUGIN, VIEW, "tank", values, [cut], flags=flags) == whole
