"""The filter detector's parts: washes, runs in bounded memory, clean drop by Ergun, water at the unit."""

from __future__ import annotations

import numpy as np
import pytest
from fluids import Ergun

from analytics.conditions import water_at
from analytics.filter_runs import MOST_BINS, VOIDS, Collapse, Run, laminar_share
from analytics.wash_quality import KEPT, Washes
from tests.analytics.detectors import build

BED = build.TRAIN.replace(
    "limits: {dp_terminal: 80, prompt_hours: {value: 4, unit: h}}",
    "params: {bed_area: 1.5, bed_depth: 1.2, grain: 0.5}",
)


def _after(*cleans: float) -> Washes:
    washes = Washes()
    for k, clean in enumerate(cleans):
        washes = washes.after(1000 * k, clean)
    return washes


def test_three_weak_washes_in_a_row_are_needed() -> None:
    """Two washes that did not clean are not spoken of, three are, dated to the first; a good one ends it."""
    assert _after(20, 20.5, 19.8, 23, 25).since is None
    weak = _after(20, 20.5, 19.8, 23, 25, 27)
    assert (weak.since, weak.weak, weak.baseline) == (3000, 3, 20)
    assert weak.after(9000, 20.3).since is None


def test_good_washes_move_the_baseline_and_weak_ones_do_not() -> None:
    """A bed whose clean drop creeps within 10 % takes its baseline along; weak washes never enter it."""
    assert _after(20, 21, 22, 22).baseline == 22
    assert _after(20, 20, 20, 30, 30, 30, 30, 30, 30, 30).baseline == 20


def test_a_bed_that_stays_dirty_does_not_become_the_usual_one() -> None:
    """Weak for longer than washes are kept: still said, against the same clean bed, until a wash cleans."""
    weak = _after(20, 20, 20, *[30] * (2 * KEPT))
    assert (weak.since, weak.baseline) == (3000, 20)
    assert (weak.after(100_000, 20.5).since, weak.after(100_000, 20.5).baseline) == (None, 20.5)


def test_washes_that_each_leave_a_little_more_are_weak_from_the_first_on() -> None:
    """Steps of 4 % are spoken of at the third, 12 % above the clean bed, where each alone was within 10 % of usual."""
    climbing = _after(20, 20.2, 21.0, 21.8, 22.7)
    assert (climbing.weak, climbing.since, climbing.baseline) == (3, 4000, 20.2)
    assert _after(20, 20.2, 20.5, 20.8, 21.1).since is None


def test_one_low_clean_drop_does_not_move_what_clean_means() -> None:
    """A bed with a channel after one wash shows 20 % less; the washes after it are as clean as those before."""
    assert _after(27.8, 22.1, 28.7, 28.9, 29.5, 29.0).since is None


def test_a_run_keeps_its_shape_in_bounded_memory() -> None:
    """Ten thousand minutes fit in the bins; throughput and the drop's course are kept to a bin's width."""
    run = Run(began=0, whole=True)
    for minute in range(10_000):
        run.serve(20.0 / 60.0, seen=True)
        run.show(minute, 20.0 + minute / 200.0, 1.0, None)
    assert len(run.bins) <= MOST_BINS
    assert sum(run.bins.n) == 10_000
    assert run.throughput == pytest.approx(10_000 / 3.0)
    expected = 20.0 + run.column("at") * 3.0 / 200.0
    assert np.abs(run.column("drop") - expected).max() < 0.01


def test_a_run_with_holes_teaches_nothing() -> None:
    """A run that lost more than a tenth of its minutes is not kept as an example."""
    run = Run(began=0, whole=True)
    for minute in range(100):
        run.serve(1.0, seen=minute % 5 != 0)
        if minute % 5:
            run.show(minute, 20.0, 1.0, None)
    assert run.finished() is None


def test_collapse_wants_three_minutes() -> None:
    """Two low minutes are not a wash, the third confirms it."""
    watch, washed = Collapse(), False
    for drop in [60.0] * 10 + [20.0, 20.0]:
        watch, washed = watch.look(drop)
    assert not washed
    assert watch.look(20.0) == (Collapse(), True)


def test_laminar_share_is_that_of_ergun() -> None:
    """At the bed's parameters the share agrees with Ergun's equation in a published library, and 0.9 stands without."""
    view = build.skid(BED)
    unit = view.by_id["filter"]
    flow, viscosity, density = 20.0, 1.1, 1060.0
    velocity = flow / 3600.0 / 1.5
    bed = {"dp": 0.5e-3, "voidage": VOIDS, "L": 1.2, "mu": viscosity * 1e-3}
    total = Ergun(vs=velocity, rho=density, **bed)
    viscous = Ergun(vs=velocity, rho=1e-9, **bed)
    assert laminar_share(unit, flow, viscosity, density) == pytest.approx(viscous / total, rel=1e-6)
    assert laminar_share(build.skid().by_id["filter"], flow, viscosity, density) == 0.9


def test_water_is_that_of_the_nearest_thermometer() -> None:
    """A filter without thermometer takes the tank's; viscosity at 10 °C is 1.44 times that at 25 °C for this brine.

    1.439 for NaCl of 13.7 % by Laliberté (J. Chem. Eng. Data 54, 2009, 1725), here 152 g/L.
    """
    view = build.skid(build.TRAIN.replace("dp: PDT-301, temperature: TT-110", "dp: PDT-301"), tds=150.0)
    water = water_at(view.by_id["filter"], view)
    assert water.unit == "tank"
    assert water.viscosity_ratio(10.0) == pytest.approx(1.439, rel=0.015)
    assert water.viscosity_ratio(None) == 1.0
    assert water.density_ratio(25.0) == 1.0
