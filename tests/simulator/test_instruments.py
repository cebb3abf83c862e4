"""Instruments: what they add to the true value, and what ails them."""

import numpy as np
import pytest

from simulator.faults import FAULTS
from simulator.instruments import Counter, Transmitter, reported
from simulator.plant_file import Event
from simulator.skid_plant import Acting
from skidhand.fleet import Instrument

DAY = np.arange(8640) * 10 / 3600.0


def transmitter(unit="kPa", span=(0.0, 100.0), ails=(), tag="PT-1"):
    """One transmitter whose unit is that of its role."""
    return Transmitter(3, "skid", tag, Instrument(unit=unit, range=span), unit, ails)


def ailing(name, at, hours, severity=1.0):
    """A fault that acts on the instrument."""
    return Acting(Event(event=name, at=at, hours=hours, severity=severity, tag="PT-1"), FAULTS[name], ())


def test_noise_is_small_unbiased_and_correlated_in_time():
    """A steady value is read with a spread of its stated share of span; neighbours resemble each other."""
    read = transmitter().draw(DAY, np.full(8640, 50.0))
    quiet = read[np.abs(read - 50) < 2]  # without spikes
    assert quiet.mean() == pytest.approx(50, abs=0.03)
    assert quiet.std() == pytest.approx(0.15, rel=0.15)
    off = quiet - quiet.mean()
    assert np.corrcoef(off[:-1], off[1:])[0, 1] == pytest.approx(np.exp(-10 / 15), abs=0.05)


def test_readings_are_steps_of_twelve_bits():
    """Every reading lies on one of the 4,095 steps of the range, to the rounding of four decimals."""
    read = transmitter(span=(0.0, 4095.0)).draw(DAY, np.linspace(100, 4000, 8640))
    np.testing.assert_allclose(read, np.round(read), atol=1e-9)


def test_a_transmitter_saturates_just_outside_its_range():
    """NAMUR NE 43: 3.8 and 20.5 mA, so −1.25 % and +103.125 % of span."""
    read = transmitter().draw(DAY[:4], np.array([-500.0, -500.0, 900.0, 900.0]))
    assert read.min() == pytest.approx(-1.25, abs=0.03)
    assert read.max() == pytest.approx(103.125, abs=0.03)


def test_without_a_range_noise_goes_by_a_usual_span_and_nothing_is_cut():
    """The usual span counts in the unit of the role: in psi the spread is 6.9 times smaller than in kPa."""
    spreads = []
    for unit in ("kPa", "[psi]"):
        read = Transmitter(3, "skid", "PT-1", Instrument(unit=unit), "kPa", ()).draw(DAY, np.full(8640, 5000.0))
        spreads.append(np.std(read[np.abs(read - 5000) < 10]))
    assert spreads[0] / spreads[1] == pytest.approx(6.894757, rel=0.02)


def test_spikes_come_as_rarely_as_they_should():
    """An oil analyser of 40 days has one in 5,000 scans, up to a fifth of span; a thermometer has none."""
    reads = [transmitter("mg/L", (0, 1000), tag=f"AT-{i}").draw(DAY, np.full(8640, 50.0)) for i in range(40)]
    high = np.concatenate(reads) > 80.0  # thirty times the noise
    assert high.sum() == pytest.approx(40 * 8640 * 2e-4 * 0.6, rel=0.35)
    assert max(map(np.max, reads)) < 50.0 + 210.0 + 10.0
    assert np.ptp(transmitter("Cel", (0.0, 100.0)).draw(DAY, np.full(8640, 50.0))) < 1.0


def test_a_slow_instrument_lags():
    """An oil analyser with 60 s lag shows 63 % of a step after one minute."""
    true = np.concatenate([np.zeros(360), np.full(360, 500.0)])
    reads = np.mean([transmitter("mg/L", (0, 1000), tag=f"AT-{i}").draw(DAY[:720], true) for i in range(40)], axis=0)
    assert reads[365] == pytest.approx(500 * (1 - np.exp(-1)), abs=25)


def test_a_frozen_reading_stands_still_to_the_last_digit():
    """Within the window one value, across blocks too; before and after it moves."""
    sick = transmitter(ails=[ailing("sensor-freeze", 6, 4)])
    true = 50 + 10 * np.sin(DAY)
    read = np.concatenate([sick.draw(DAY[:3000], true[:3000]), sick.draw(DAY[3000:], true[3000:])])
    frozen = (DAY >= 6) & (DAY < 10)
    assert len(np.unique(read[frozen])) == 1
    assert len(np.unique(read[~frozen])) > 100


def test_a_fouled_analyser_drifts_up_with_less_noise_and_comes_back():
    """Dirt on the window adds apparent oil as it grows; cleaning ends it at once."""
    sick = transmitter("mg/L", (0.0, 100.0), [ailing("analyser-fouling", 4, 16)])
    well = transmitter("mg/L", (0.0, 100.0))
    true = np.full(8640, 20.0)
    read, clean = sick.draw(DAY, true), well.draw(DAY, true)
    late, after = (DAY > 18) & (DAY < 20), DAY > 20.1
    hourly = np.median(read[(DAY >= 4) & (DAY < 20)].reshape(16, -1), axis=1)
    assert (np.diff(hourly) > 0.3).all()
    assert np.median(read[late]) > np.median(clean[late]) + 8
    spread = [np.std(np.diff(x[late & (np.abs(x - np.median(x[late])) < 5)])) for x in (read, clean)]
    assert spread[0] < 0.8 * spread[1]
    assert np.array_equal(read[after], clean[after])


def test_cutting_into_blocks_changes_nothing():
    """Blocks of any length give the same readings."""
    true = 50 + 10 * np.sin(DAY[:1000])
    whole = transmitter().draw(DAY[:1000], true)
    parts = transmitter()
    cut = np.concatenate([parts.draw(DAY[a:b], true[a:b]) for a, b in ((0, 1), (1, 333), (333, 1000))])
    assert np.array_equal(whole, cut)


def test_a_total_rolls_over_and_carries_no_noise():
    """The meter's counter goes on from zero at its rollover."""
    counter = Counter(Instrument(unit="m3", total=True, rollover=100))
    read = counter.draw(DAY[:4], np.array([99.8, 99.97, 100.02, 100.31]))
    np.testing.assert_allclose(read, [99.8, 99.9, 0.0, 0.3])


def test_a_counter_that_slips_loses_a_seventh_of_what_passes():
    """Only while it slips, in blocks or not; what was not counted never comes back."""
    true = np.linspace(0.0, 864.0, 8640)
    ill = [ailing("counter-slips", 6, 10)]
    read = Counter(Instrument(unit="m3", total=True), ill).draw(DAY, true)
    assert read[2000] == pytest.approx(true[2000], abs=0.1)
    assert true[-1] - read[-1] == pytest.approx(10 / 24 * 864 / 7, abs=0.2)
    parts = Counter(Instrument(unit="m3", total=True), ill)
    assert np.array_equal(read, np.concatenate([parts.draw(DAY[a:b], true[a:b]) for a, b in ((0, 7), (7, 8640))]))


def test_a_zero_creeps_and_a_narrowed_meter_reads_in_proportion():
    """A tenth of span whatever the reading; 15 % of the reading. Noise and what lies before and after stay."""
    for name, true, off in (("zero-drift", 20.0, 10.0), ("flow-meter-fouled", 20.0, 3.0)):
        read = transmitter(ails=[ailing(name, 4, 16)]).draw(DAY, np.full(8640, true))
        well = transmitter().draw(DAY, np.full(8640, true))
        last = (DAY > 19.9) & (DAY < 20)
        assert np.median(read[last] - well[last]) == pytest.approx(off, rel=0.02)
        assert np.array_equal(read[(DAY < 4) | (DAY >= 20)], well[(DAY < 4) | (DAY >= 20)])


def test_report_on_change_is_silent_within_its_deadband():
    """Sent are the first, every change beyond the deadband, and one per heartbeat; blocks share the memory."""
    times = np.arange(8, dtype=np.int64) * 10_000_000
    values = np.array([1.0, 1.2, 1.6, 1.6, 1.6, 1.7, 1.6, 3.0])
    last = []
    sent = np.concatenate([reported(times[p], values[p], 0.5, 40_000_000, last) for p in (slice(0, 3), slice(3, 8))])
    assert np.flatnonzero(sent).tolist() == [0, 2, 6, 7]
