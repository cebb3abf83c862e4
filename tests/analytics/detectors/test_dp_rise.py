"""The filter detector on seeded runs: exact minutes, and silence where the trade says so."""

from __future__ import annotations

import numpy as np

from analytics.detectors.dp_rise import PLUGIN
from analytics.filter_runs import by_clock
from analytics.frame import Flag
from tests.analytics.detectors import build, filters

LONG = 100_000
VIEW = build.skid()
UNTAGGED = build.skid(build.TRAIN.replace(", backwash: XS-301", ""))


def _after(made: filters.Made, **how) -> list[tuple[int, str, str | None, str, bool]]:
    """What is said after the first run, which teaches."""
    return [word for word in filters.said(VIEW, filters.block(VIEW, made, **how)) if word[0] >= made.starts[1]]


def test_runs_are_called_before_their_end_and_closed_at_the_wash() -> None:
    """Runs of 10, 9.5, 10.5 and 10 h from the second on: called once about 2.4 h before the end, closed by the wash."""
    made = filters.make([10, 9.5, 10.5, 10])
    assert made.starts == [0, 611, 1192, 1834]
    assert _after(made) == [
        (1040, "dp-rise", "fouling", "medium", False),
        (1180, "dp-rise", "fouling", "medium", True),
        (1680, "dp-rise", "fouling", "medium", False),
        (1822, "dp-rise", "fouling", "medium", True),
        (2290, "dp-rise", "fouling", "medium", False),
    ]


def test_forecast_is_right_and_shown_with_its_numbers() -> None:
    """The second run's first forecast is within 10 % of the 140 minutes that were left; dp and limit come first."""
    made = filters.make([10, 9.5, 10.5, 10])
    _, drafts = build.run(PLUGIN, VIEW, "filter", filters.block(VIEW, made))
    draft = next(d for d in drafts if d.minute == build.MINUTE0 + 1040)
    assert draft.forecast is not None
    left = draft.forecast.when.timestamp() / 60.0 - draft.minute
    assert abs(left - (1180 - 1040)) <= 14
    assert draft.forecast.low <= draft.forecast.when <= draft.forecast.high
    assert [n.name for n in draft.evidence.numbers[:2]] == ["dp", "dp_limit"]
    assert draft.evidence.numbers[1].value == filters.TERMINAL


def test_a_wash_without_a_signal_is_seen() -> None:
    """Without a state tag the drop's collapse begins the run: the same runs are called within 15 minutes as early."""
    made = filters.make([10, 9.5, 10.5, 10])
    words = filters.said(UNTAGGED, filters.block(UNTAGGED, made, tag=False))
    opened = [minute for minute, _, _, _, ended in words if not ended and minute >= 611]
    assert opened == [1035, 1685, 2305]


def test_a_filter_without_a_flow_meter_is_called_too() -> None:
    """On a skid of 20 m3/h, runs compared by hours: each from the second on is called once, 2 to 3 h before its end."""
    view, made = build.skid(build.TRAIN.replace("{flow: FT-301, dp", "{dp")), filters.make([10, 9.5, 10.5, 10])
    assert (view.design_flow, view.by_id["filter"].has("flow")) == (20.0, False)
    words = filters.said(view, filters.block(view, made))
    opened = [minute for minute, kind, _, _, ended in words if kind == "dp-rise" and not ended and minute >= 611]
    ends = [start - filters.WASH for start in [*made.starts[2:], len(made.dp)]]
    assert len(opened) == 3
    assert all(120 <= end - minute <= 180 for minute, end in zip(opened, ends, strict=True))


def test_a_drop_of_nothing_ends_nothing() -> None:
    """A transmitter that reads exactly zero for two runs shows no clean bed to compare with: silence."""
    made = filters.make([10, 9.5])
    made.dp[:] = 0.0
    assert filters.said(VIEW, filters.block(VIEW, made)) == []


def test_quiet_filter_says_nothing() -> None:
    """Two thousand minutes of a filter that hardly fouls, after a run that taught: silence."""
    assert _after(filters.make([10, 200], last=2000)) == []


def test_flow_step_says_nothing() -> None:
    """Thirty per cent more flow for 200 minutes on a fairly clean bed: the drop rises at once, nobody is called."""
    flow = np.full(LONG, filters.FLOW)
    flow[700:900] *= 1.3
    assert _after(filters.make([10, 40], flow=flow, last=600)) == []


def test_cold_feed_says_nothing() -> None:
    """Fifteen degrees colder: viscosity raises the drop by 40 %, the index stays, nobody is called."""
    celsius = np.full(LONG, 25.0)
    celsius[650:] = 10.0
    assert _after(filters.make([10, 40], celsius=celsius, last=600)) == []


def test_parallel_filter_out_says_nothing() -> None:
    """Half as much flow again for the 12 minutes of another filter's wash: nobody is called."""
    flow = np.full(LONG, filters.FLOW)
    flow[700:712] *= 1.5
    assert _after(filters.make([10, 40], flow=flow, last=600)) == []


def test_frozen_drop_is_not_used() -> None:
    """A drop that stands at 78 kPa and is flagged frozen is no drop: nothing is said on it."""
    made = filters.make([10, 40], last=600)
    flags = np.zeros(len(made.dp), dtype=int)
    made.dp[900:1100], flags[900:1100] = 78.0, int(Flag.FROZEN)
    assert _after(made, flags=flags) == []


def test_washes_that_do_not_clean_are_spoken_of_at_the_third() -> None:
    """The clean drop steps up by 15 % a wash: said after the third such wash, ended by the first that cleans."""
    made = filters.make([4] * 9, dirt=(0, 0, 0, 0, 0.15, 0.3, 0.45, 0.6, 0))
    words = filters.said(VIEW, filters.block(VIEW, made))
    assert [word for word in words if word[1] == "incomplete-backwash"] == [
        (1506, "incomplete-backwash", "oil-wet-media", "medium", False),
        (1951, "incomplete-backwash", "oil-wet-media", "medium", True),
    ]


def test_one_poor_wash_is_no_fault() -> None:
    """One wash that leaves 30 % on the bed, and the next that does not: silence about washes."""
    made = filters.make([4] * 7, dirt=(0, 0, 0, 0.3, 0, 0, 0))
    words = filters.said(VIEW, filters.block(VIEW, made))
    assert not [word for word in words if word[1] == "incomplete-backwash"]


def test_oil_slug_is_named() -> None:
    """Three times the oil upstream, and the drop rises three times as fast: said two hours before the limit."""
    words = filters.said(VIEW, filters.block(VIEW, filters.make([10, 10, 10, 20], slug=(2100, 2140))))
    assert words[-2] == (2290, "dp-rise", "oil-slug", "medium", False)
    assert words[-1][2] == "oil-slug"


def test_two_pressures_do_instead_of_a_drop() -> None:
    """Inlet less outlet pressure says what a drop transmitter says, to the minute."""
    units = build.TRAIN.replace("dp: PDT-301", "inlet_pressure: PT-301, outlet_pressure: PT-302")
    view, made = build.skid(units), filters.make([10, 9.5], last=None)
    by_drop = filters.block(VIEW, made)
    both = {
        ("filter", "flow"): made.flow,
        ("filter", "inlet_pressure"): made.dp + 100.0,
        ("filter", "outlet_pressure"): np.full(len(made.dp), 100.0),
        ("tank", "temperature"): made.celsius,
        ("cyclone", "outlet_oil"): made.oil,
    }
    data = build.block(view, both, washing={"filter": made.washing}, settling=by_drop.settling)
    assert filters.said(view, data) == filters.said(VIEW, by_drop)


def test_coverage_says_what_is_missing() -> None:
    """No drop and one pressure: nothing is watched, and it says what would be needed."""
    units = """
      - {id: filter, type: media_filter, roles: {flow: FT-301, inlet_pressure: PT-301}}
"""
    view = build.skid(units)
    found = PLUGIN.needs(view.by_id["filter"], view)
    assert found.watched == frozenset()
    assert found.missing == ("dp, or inlet_pressure and outlet_pressure",)


def test_a_plant_that_washes_below_the_limit_washes_by_no_clock():
    """Runs of 18 to 22 h that all end at nine tenths of the limit: the longest is no clock. At half of it, it is."""
    ends = ((18.0, 0.91), (22.0, 0.90), (20.0, 0.89))
    assert by_clock(ends, level=0.90) is None
    assert by_clock(tuple((hours, 0.5) for hours, _ in ends), level=0.90) is not None
