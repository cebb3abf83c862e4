"""What ails instruments and links by themselves: no state of the plant moves with it, only what is said."""

import numpy as np
import pyarrow as pa
import pytest

from simulator import generate
from simulator.faults import FAULTS
from tests.simulator.story import States, scenario
from tests.simulator.test_instruments import DAY, ailing, transmitter

SPELL = (DAY >= 6) & (DAY < 10)
STEADY = np.full(len(DAY), 40.0)


def readings(name, true=STEADY, unit="kPa"):
    """(sick, well): the same instrument with and without the ailment from hour 6 to 10."""
    sick = transmitter(unit, ails=[ailing(name, 6, 4)]).draw(DAY, true)
    return sick, transmitter(unit).draw(DAY, true)


def test_no_ailment_touches_the_plant():
    """Faults of instruments and links change no condition; faults of the plant do nothing but that."""
    for fault in FAULTS.values():
        assert (fault.change is None) == (fault.strikes != "plant"), fault.name


def test_bubbles_are_spikes_upwards_that_end_with_them():
    """A scan in twelve reads more, up to two fifths of span, the others as before."""
    sick, well = readings("gas-bubbles", unit="mg/L")
    more = (sick - well)[SPELL]
    assert (more > 1.0).mean() == pytest.approx(0.08, abs=0.02)
    assert more.min() > -0.5
    assert more.max() < 41
    assert np.array_equal(sick[~SPELL], well[~SPELL])


def test_another_unit_scales_reading_and_noise_alike():
    """psi read as kPa: 6.894757 times (exact by definition), at once, as far as the range goes; then back."""
    sick, well = readings("scale-change", np.full(len(DAY), 10.0))
    assert np.median(sick[SPELL]) == pytest.approx(68.948, abs=0.1)
    quiet = [np.std(x[SPELL][np.abs(x[SPELL] - np.median(x[SPELL])) < 5]) for x in (sick, well)]
    assert quiet[0] / quiet[1] == pytest.approx(6.9, rel=0.1)
    assert np.array_equal(sick[~SPELL], well[~SPELL])


def test_zeroed_under_load_the_reading_steps_and_its_noise_stays():
    """A tenth of span less, at once."""
    sick, well = readings("re-zero")
    assert np.allclose((well - sick)[SPELL], 10.0, atol=0.05)


def test_a_plugged_line_creeps_and_stays_up_when_flow_stops():
    """After the pressure has gone the reading still stands above half of it half an hour later, and is quiet."""
    true = np.where(DAY < 8, 40.0, 0.0)
    sick, well = readings("impulse-line-plugged", true)
    later = int(np.argmax(DAY >= 8.5))
    assert sick[later] > 20.0
    assert well[later] < 1.0
    held = (DAY >= 6.5) & (DAY < 8)
    spread = [np.std(x[held][np.abs(x[held] - 40.0) < 3]) for x in (sick, well)]
    assert spread[0] < 0.5 * spread[1]


def test_a_loose_terminal_makes_noise_around_the_right_reading():
    """Five times the spread, the same mean."""
    sick, well = (x[SPELL][np.abs(x[SPELL] - 40.0) < 8] for x in readings("sensor-noisy"))
    assert np.std(sick) / np.std(well[np.abs(well - 40.0) < 3]) == pytest.approx(5.0, rel=0.15)
    assert np.mean(sick) == pytest.approx(40.0, abs=0.3)


def test_an_open_loop_falls_below_its_live_range():
    """NAMUR NE 43: 3.6 mA is 2.5 % of span below zero."""
    sick, _ = readings("sensor-failed")
    assert (sick[SPELL] == -2.5).all()


def test_a_calibration_holds_at_its_checks():
    """0, 50, 100, 50 and 0 % of span, a fifth of the time each, never quite still."""
    sick, _ = readings("calibration")
    fifths = sick[SPELL].reshape(5, -1)
    assert np.allclose(np.median(fifths, axis=1), [0, 50, 100, 50, 0], atol=0.2)
    assert all(len(np.unique(fifth)) > 1 for fifth in fifths)


def test_a_clock_that_jumps_shifts_all_tags_together(tmp_path):
    """An hour ahead from the jump on, in unbroken order, then back; receive times go on as they were."""
    story = [{"event": "clock-jump", "at": 0.5, "hours": 1.0}]
    played = scenario(tmp_path, story, hours=2, carrier={"dropped": 0, "late": 0})
    table = pa.concat_tables(c.samples for c in generate(played, skids=1))
    source, received = (table[name].cast("int64").to_numpy() / 60e6 for name in ("time", "received"))
    at = received - received[0]
    ahead = source - received
    assert np.allclose(ahead[(at > 0.5 * 60 + 0.5) & (at < 89)], 60.0, atol=0.05)
    assert np.allclose(ahead[(at < 29) | (at > 91)], 0.0, atol=0.05)


def test_people_take_samples_and_clean_the_strainer_at_its_limit(tmp_path):
    """A laboratory sample every two hours as the water is then; a strainer above its limit is cleaned by itself."""
    plant = {"lab_every": 2, "strainer_cleaned_at": 30}
    story = [{"event": "strainer-blinding", "at": 1, "hours": 8}]
    states = States(scenario(tmp_path, story, hours=9, plant=plant))
    hours, oil = zip(*states.plant.grabs, strict=True)
    assert hours == (2.0, 4.0, 6.0, 8.0)
    assert oil == pytest.approx([states["outlet.oil"][round(hour * 60) - 1] for hour in hours])
    assert states.plant.train.strainer.cleanings >= 1
    assert states["strainer.dp"].max() < 36
