"""What every detector must keep to, tried on all that are installed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.detectors.base import Detector, Draft, State, moved
from analytics.engine import builtin_detectors
from analytics.frame import Block, Flag
from skidhand import plugins
from skidhand.fleet import SkidView
from skidhand.fleet.entries import WEARS
from skidhand.model.kinds import KINDS
from tests.analytics.detectors import build, longer, rest

HOURS = 40
FIRST = {"dp_rise", "split_drift", "sensor_frozen", "oil_carry_over", "analyser_drift", "strainer_blinding"}
SLOW = {"unusual_pattern"}  # learn for days: tried on a week of few readings
DETECTORS = sorted(builtin_detectors().values(), key=lambda d: d.name)
VIEW = build.skid()
NAMES = [detector.name for detector in DETECTORS]


def _plant(*, faults: bool) -> Block:
    """The whole train for 40 hours: three filter runs; with faults, one of each kind of trouble."""
    rng = np.random.default_rng(7)
    n = HOURS * 60
    t = np.arange(n)

    def noisy(level: np.ndarray | float, size: float) -> np.ndarray:
        return level + size * rng.standard_normal(n)

    run = t % 800 if faults else t / 20.0
    washing = (t % 800 >= 788) & faults
    flow = np.full(n, 20.0)
    reject = np.where((t > 1400) & (t < 2000) & faults, 0.2, 0.4)
    fresh_oil = np.where((t > 1500) & (t < 1600) & faults, 4.0, 1.0)
    inflow = np.where((t > 1480) & (t < 1520) & faults, 32.0, 20.0)
    fouled = np.where(faults, np.clip((t - 900) / 60.0, 0.0, 12.0), 0.0)
    stuck = (t > 700) & (t < 900) & faults
    level = noisy(1.3, 0.005)
    level[stuck] = level[700]
    blinding = 15.0 / (1.0 - 0.5 * np.clip((t - 600) / 1500.0, 0.0, 1.0) * faults) ** 2
    values = {
        ("strainer", "flow"): noisy(inflow, 0.1),
        ("strainer", "dp"): noisy(blinding * (inflow / 20.0) ** 2, 0.1),
        ("tank", "inlet_flow"): noisy(inflow, 0.1),
        ("tank", "level"): level + np.where(inflow > 25.0, 0.15, 0.0),
        ("tank", "interface_level"): noisy(1.2, 0.005),
        ("tank", "temperature"): noisy(25.0, 0.05),
        ("tank", "outlet_oil"): noisy(100.0 * fresh_oil, 2.0),
        ("cyclone", "inlet_flow"): noisy(flow, 0.05),
        ("cyclone", "inlet_pressure"): noisy(400.0, 0.5),
        ("cyclone", "outlet_pressure"): noisy(200.0, 0.5),
        ("cyclone", "reject_pressure"): noisy(60.0, 0.5),
        ("cyclone", "reject_flow"): noisy(reject, 0.004),
        ("cyclone", "outlet_oil"): noisy(15.0 * np.sqrt(fresh_oil), 0.3),
        ("filter", "flow"): np.where(washing, 0.0, noisy(flow, 0.05)),
        ("filter", "dp"): np.where(washing, 0.0, noisy(20.0 + 60.0 * (run / 788.0) ** 1.5, 0.2)),
        ("filter", "temperature"): noisy(25.0, 0.05),
        ("filter", "outlet_oil"): noisy(5.0 + fouled, 0.2),
        ("filter", "backwash"): washing.astype(float),
    }
    settling = washing.copy()
    for k in range(1, 13):
        settling[k:] |= washing[:-k]
    return build.block(
        VIEW,
        values,
        flags={("tank", "level"): np.where(stuck & (t > 730), int(Flag.FROZEN), 0)},
        washing={"filter": washing},
        settling=settling,
    )


@cache
def _block(name: str, faults: bool) -> Block:
    plant = _plant if name in FIRST else longer.plant if name in SLOW else rest.plant
    return plant(faults=faults)


def _view(name: str) -> SkidView:
    return VIEW if name in FIRST else longer.VIEW if name in SLOW else rest.view()


def _units(detector: Detector) -> list[str]:
    skid = _view(detector.name)
    return [
        unit.id
        for unit in skid.units
        if detector.unit_type in ("*", unit.type.name) and detector.needs(unit, skid).watched
    ]


def _run(
    detector: Detector, unit: str, cuts: Sequence[int] = (), *, faults: bool = True
) -> tuple[str, tuple[Draft, ...]]:
    state, drafts = build.run(detector, _view(detector.name), unit, _block(detector.name, faults), cuts)
    return state.model_dump_json(), tuple(drafts)


@cache
def _state(name: str, unit: str) -> State:
    return builtin_detectors()[name].state.model_validate_json(_whole(name, unit)[0])


@cache
def _whole(name: str, unit: str) -> tuple[str, tuple[Draft, ...]]:
    return _run(builtin_detectors()[name], unit)


@pytest.mark.parametrize("detector", DETECTORS, ids=NAMES)
@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(cuts=st.lists(st.integers(1, HOURS * 60 - 1), max_size=6))
def test_cuts_change_nothing(detector: Detector, cuts: list[int]) -> None:
    """However the minutes are cut, and with the state through JSON at each cut, drafts and state are the same."""
    for unit in _units(detector):
        assert _run(detector, unit, cuts) == _whole(detector.name, unit)


@pytest.mark.parametrize("detector", DETECTORS, ids=NAMES)
def test_minute_by_minute_equals_one_pass(detector: Detector) -> None:
    """Live, a minute at a time, says what one pass says, over the liveliest stretch."""
    for unit in _units(detector):
        assert _run(detector, unit, range(1390, 1560))[1] == _whole(detector.name, unit)[1]


@pytest.mark.parametrize("detector", DETECTORS, ids=NAMES)
def test_trouble_is_spoken_of_and_quiet_is_not(detector: Detector) -> None:
    """Each kind is said of the troubled plant, nothing of the quiet one."""
    loud = {draft.kind for unit in _units(detector) for draft in _whole(detector.name, unit)[1]}
    quiet = [draft for unit in _units(detector) for draft in _run(detector, unit, faults=False)[1]]
    assert loud == detector.kinds if detector.name not in FIRST else loud
    assert quiet == []


@pytest.mark.parametrize("detector", DETECTORS, ids=NAMES)
def test_drafts_keep_to_the_words(detector: Detector) -> None:
    """Kinds are declared and listed, causes are the kind's own, times and confidence make sense, no orders."""
    assert detector.kinds <= KINDS.keys()
    for unit in _units(detector):
        drafts = _whole(detector.name, unit)[1]
        assert [d.minute for d in drafts] == sorted(d.minute for d in drafts)
        for draft in drafts:
            assert draft.kind in detector.kinds
            assert draft.cause is None or draft.cause in dict(KINDS[draft.kind].causes)
            assert draft.onset <= draft.minute
            assert draft.ended is None or draft.onset <= draft.ended <= draft.minute
            assert 0.0 < draft.confidence <= 1.0
            assert draft.first_step.startswith("Suggest ")
            assert draft.evidence.numbers


@pytest.mark.parametrize("detector", DETECTORS, ids=NAMES)
def test_memory_is_bounded(detector: Detector) -> None:
    """Two more days of the same do not make the state much larger than it is allowed to be."""
    for unit in _units(detector):
        assert len(_whole(detector.name, unit)[0]) < 200_000


@pytest.mark.parametrize("detector", DETECTORS, ids=NAMES)
def test_what_was_learnt_of_what_is_there(detector: Detector) -> None:
    """Parts stand in its unit, roles are roles, fields are the state's own; a kind stays only on what is kept."""
    learns, types = detector.learns, {n: p.member for n, p in plugins.load("unit_type").items()}
    mine = types.values() if detector.unit_type == "*" else [types[detector.unit_type]]
    assert learns.parts <= {part for part, type_ in WEARS.items() if detector.unit_type in ("*", type_)}
    assert learns.roles - {"*"} <= {role for one in mine for role in one.roles}
    assert learns.keeps <= detector.state.model_fields.keys()
    assert learns.stays <= detector.kinds
    assert learns.keeps or not learns.stays
    if detector.unit_type != "skid" and detector.state.model_fields.keys() & {"learning", "tally", "base", "library"}:
        assert learns.roles, "what is learnt of instruments begins anew with them"


@pytest.mark.parametrize("detector", DETECTORS, ids=NAMES)
def test_on_another_pad_only_what_belongs_to_the_equipment_is_left(detector: Detector) -> None:
    """After a move the kept fields are as they were, all others as at a start; it goes on from there."""
    skid = _view(detector.name)
    for name in _units(detector):
        unit, before = skid.by_id[name], _state(detector.name, name)
        after, fresh = moved(detector, unit, skid, before), detector.start(unit, skid)
        for field in detector.state.model_fields:
            source = before if field in detector.learns.keeps else fresh
            assert getattr(after, field) == getattr(source, field), field
        block = _block(detector.name, False)
        later = replace(block.cut(0, 60), minutes=block.cut(0, 60).minutes + len(block))
        detector.step(unit, skid, later, after)


@pytest.mark.parametrize("detector", DETECTORS, ids=NAMES)
def test_progress_goes_from_nothing_to_done(detector: Detector) -> None:
    """At the start nothing is done of something, it never goes back, and 30 quiet hours in service are enough for most.

    A filter's runs come only on the troubled plant; there it must have got on.
    """
    skid = _view(detector.name)
    for name in _units(detector):
        unit = skid.by_id[name]
        state, done = detector.start(unit, skid), [detector.progress(unit, detector.start(unit, skid))]
        for hour in range(0, 30, 6):
            part = _block(detector.name, detector.name == "dp_rise").cut(hour * 60, hour * 60 + 360)
            state, _ = detector.step(unit, skid, part, state)
            done.append(detector.progress(unit, state))
        known = [p.done / p.of for p in done if p is not None]
        assert known == sorted(known)
        assert all(0 <= share < 1 for share in known)
        if done[0] is not None:
            assert done[0].done == 0
            more = detector.name in SLOW or (done[-1] is not None and done[-1].measure == "runs")
            assert done[-1] is None or (more and done[-1].done > 0)
