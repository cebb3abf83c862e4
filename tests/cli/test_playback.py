"""Recordings are cut into minutes of their own time and sent in step with it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from skidhand.cli.playback import SETTLE, play, recording_steps
from skidhand.demo.feed import Step
from skidhand.fleet import parse_fleet
from skidhand.model.samples import micros, table
from tests.fleet.sample import SAMPLE

NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def rows(*seconds: float):
    """A table with a sample at each of these seconds after noon."""
    times = [micros(NOON + timedelta(seconds=s)) for s in seconds]
    return table([("hd-1/PT-201", t, 1.0, 0, t) for t in times])


def cut(*tables) -> list[tuple[float, list[float]]]:
    """(end of the step, its samples), in seconds after noon."""
    return [
        (
            (step.end - NOON).total_seconds(),
            [(t - NOON).total_seconds() for t in step.samples["time"].to_pylist()],
        )
        for step in recording_steps(tables)
    ]


def test_steps_end_with_their_minute():
    """Samples of one minute go together, and the step ends when the minute does; quiet minutes have no step."""
    assert cut(rows(0, 10, 59.9, 60, 200)) == [(60, [0, 10, 59.9]), (120, [60]), (240, [200])]


def test_steps_over_blocks():
    """Where the reader cut the recording changes no time; an empty block changes nothing."""
    assert cut(rows(0, 10), rows(), rows(20, 70)) == [(60, [0, 10]), (60, [20]), (120, [70])]


def test_a_step_never_ends_before_one_that_was():
    """A row that stands too late in the recording goes with the minute that was reached."""
    assert cut(rows(0, 70, 5), rows(6, 130)) == [(60, [0]), (120, [70, 5]), (120, [6]), (180, [130])]


class Recorder:
    """Stands for the publisher and notes what it is told, in order."""

    def __init__(self) -> None:
        self.notes: list[tuple[str, object]] = []

    def publish(self, samples, site_of, names) -> int:
        """Note how many samples, the site and the name on the wire."""
        site = site_of("hd-1", micros(NOON))
        self.notes.append(("publish", (samples.num_rows, site, names["hd-1/FT-301"])))
        return 1

    def announce(self, now: datetime) -> None:
        """Note the time."""
        self.notes.append(("announce", now))

    def flush(self) -> None:
        """Note it."""
        self.notes.append(("flush", None))


STEPS = [Step(NOON + MINUTE, rows(0, 10)), Step(NOON + 2 * MINUTE, rows(70))]
FLEET = parse_fleet(SAMPLE).fleet


def test_time_is_announced_after_its_samples():
    """A stream's clock moves on only once all before it is sent, and a little past the end."""
    link = Recorder()
    assert play(link, FLEET, STEPS, speed=0, announce=True) == NOON + 2 * MINUTE
    assert link.notes == [
        ("publish", (2, "heron-2", "plc.flow")),
        ("announce", NOON + MINUTE),
        ("publish", (1, "heron-2", "plc.flow")),
        ("announce", NOON + 2 * MINUTE),
        ("announce", NOON + 2 * MINUTE + SETTLE),
        ("flush", None),
    ]


@pytest.mark.parametrize(("announce", "steps"), [(False, STEPS), (True, [])])
def test_silent_clocks(announce, steps):
    """In wall time nothing is announced; of nothing there is nothing to announce either."""
    link = Recorder()
    last = play(link, FLEET, steps, speed=0, announce=announce)
    assert [note for note, _ in link.notes if note == "announce"] == []
    assert link.notes[-1] == ("flush", None)
    assert last == (steps[-1].end if steps else None)


def test_speed(monkeypatch):
    """At sixty times the speed of then the second minute waits a second; at 0 nothing waits."""
    from skidhand.cli import playback

    waits: list[float] = []

    class Pause:
        def wait(self, seconds: float) -> None:
            waits.append(seconds)

    monkeypatch.setattr(playback.threading, "Event", Pause)
    monkeypatch.setattr(playback, "monotonic", lambda: 100.0)
    play(Recorder(), FLEET, STEPS, speed=60, announce=False)
    assert waits == [0.0, 1.0]
    waits.clear()
    play(Recorder(), FLEET, STEPS, speed=0, announce=False)
    assert waits == []
