"""Sending: at least once through crashes at every point, each channel on its own, again later when it failed."""

from __future__ import annotations

import random
from datetime import timedelta
from itertools import pairwise

import pytest

from alerts import postman
from alerts.channels.recording import RecordingChannel
from alerts.service import AlertService
from skidhand.clock import StreamClock
from skidhand.errors import LogbookError, SettingsError, UserError
from skidhand.logbook import Logbook
from tests.alerts.helpers import NOON, dp_rise, finding, revised

HOUR = timedelta(hours=1)


class Killed(BaseException):
    """The process dies: no handler of the program's may catch this."""


class Dying(RecordingChannel):
    """Dies once, before or after the message is handed over."""

    def __init__(self, *, after: bool) -> None:
        super().__init__()
        self._after = after
        self._died = False

    def send(self, delivery):
        """As it says."""
        if self._died:
            super().send(delivery)
            return
        self._died = True
        if self._after:
            super().send(delivery)
        raise Killed


class Named(RecordingChannel):
    """A recording channel of another name."""

    def __init__(self, name, failing=lambda _: None):
        super().__init__(failing)
        self.name = name


def test_death_between_commit_and_sending_loses_nothing(scene, monkeypatch):
    """The prompt is written and nothing is sent; the next process sends it, as a first copy."""
    monkeypatch.setattr(postman.Postman, "deliver", lambda *_: (_ for _ in ()).throw(Killed))
    with pytest.raises(Killed):
        scene.see(dp_rise())
    monkeypatch.undo()
    assert [d.state for d in scene.logbook.prompts.deliveries()] == ["queued"]
    scene.service = scene.start()
    scene.run(NOON + HOUR)
    assert [d.repeat for d in scene.phone.sent] == [False]
    assert scene.logbook.prompts.inbox_depth() == 0


@pytest.mark.parametrize("after", [False, True])
def test_death_while_sending_gives_a_copy_that_says_so(scene, after):
    """Whether the first copy left can't be known, so the second is marked; there is never none."""
    scene.phone = Dying(after=after)
    scene.service = scene.start()
    with pytest.raises(Killed):
        scene.see(dp_rise())
    scene.service = scene.start()
    scene.run(NOON + HOUR)
    assert [d.repeat for d in scene.phone.sent] == ([False, True] if after else [True])
    assert scene.phone.texts[-1].startswith("Late, meant for 12:00. Repeat. Skid 1")
    assert [(d.state, d.attempts, d.repeat) for d in scene.logbook.prompts.deliveries()] == [("sent", 2, True)]
    assert scene.run(NOON + 2 * HOUR).outcome == {}


def test_death_inside_the_transaction_leaves_the_inbox_whole(scene, monkeypatch):
    """Prompt, transition, message and inbox stand or fall together."""
    monkeypatch.setattr("alerts.outbox.Outbox.tell", lambda *_, **__: (_ for _ in ()).throw(Killed))
    with pytest.raises(Killed):
        scene.see(dp_rise())
    monkeypatch.undo()
    assert scene.logbook.prompts.all() == []
    assert scene.logbook.prompts.inbox_depth() == 1
    assert scene.run(NOON + HOUR).raised == 1
    assert len(scene.phone.sent) == 1


def test_one_failing_channel_does_not_stop_the_others(scene):
    """Its failure is on record, also when it is a plug-in's own mistake; the other channel's message has left."""

    def broken(_):
        raise ZeroDivisionError("a plug-in's mistake")

    good = Named("good")
    scene.service = scene.start(Named("away", lambda _: "gateway away"), Named("broken", broken), good)
    done = scene.see(dp_rise())
    assert dict(done.outcome) == {"failed": 2, "sent": 1}
    assert len(good.sent) == 1
    assert {d.channel: (d.state, d.error) for d in scene.logbook.prompts.deliveries()} == {
        "away": ("queued", "recording: gateway away"),
        "broken": ("queued", "broken: ZeroDivisionError: a plug-in's mistake"),
        "good": ("sent", None),
    }


def test_retries_grow_and_end(scene):
    """Each try comes later than the one before by the given clock; after the last it is failed, and stays so."""
    tries = []
    scene.phone = RecordingChannel(lambda _: tries.append(scene.clock.now()) or "away")
    scene.service = scene.start()
    scene.see(dp_rise())
    for second in range(10, 3 * 3600, 10):
        scene.clock.announce(NOON + timedelta(seconds=second))
        if len(tries) < postman.MOST_ATTEMPTS:
            (waiting,) = scene.logbook.prompts.deliveries()
            if waiting.due <= scene.clock.now():
                scene.run()
    assert len(tries) == postman.MOST_ATTEMPTS
    waits = [(b - a).total_seconds() for a, b in pairwise(tries)]
    for n, wait in enumerate(waits):
        expected = min(30 * 2**n, 900)
        assert 0.5 * expected <= wait <= 1.5 * expected + 10
    (given_up,) = scene.logbook.prompts.deliveries()
    assert (given_up.state, given_up.attempts, given_up.error) == ("failed", 8, "recording: away")
    assert scene.run(NOON + timedelta(hours=5)).outcome == {}


def test_a_failure_that_was_told_is_no_repeat(scene):
    """A channel that said no handed nothing over, so the next try is a first copy."""
    reasons = ["away", None]
    scene.phone = RecordingChannel(lambda _: reasons.pop(0))
    scene.service = scene.start()
    scene.see(dp_rise())
    scene.run(NOON + HOUR)
    assert [(d.repeat, d.attempts) for d in scene.phone.sent] == [(False, 2)]


def test_retry_delays_have_a_random_part():
    """Two installations that lost one gateway don't return in step."""
    rng = random.Random(1)
    assert len({postman.retry_after(3, rng) for _ in range(20)}) == 20
    assert max(postman.retry_after(50, rng) for _ in range(100)) <= 1.5 * postman.LONGEST_RETRY


@pytest.mark.parametrize("what", ["over", "answered", "stale"])
def test_what_is_too_late_is_not_sent_and_says_why(scene, what):
    """While a channel was away it was over, answered, or the message would mislead by now."""
    scene.phone = RecordingChannel(lambda _: "away")
    scene.service = scene.start()
    scene.see(dp_rise())
    scene.phone.failing = lambda _: None
    if what == "over":
        scene.see(revised(dp_rise(), state="closed"), at=NOON + HOUR)
    elif what == "answered":
        scene.answer(scene.only().code, "mine", at=NOON + HOUR)
    else:
        scene.run(NOON + timedelta(hours=13))
    assert scene.phone.sent == []
    (dropped,) = scene.logbook.prompts.deliveries()
    assert dropped.state == "expired"
    assert {"over": "over before", "answered": "answered by robin", "stale": "mislead"}[what] in dropped.error


def test_a_channel_that_was_switched_off_is_named(scene):
    """What was queued for it says so instead of waiting for ever in silence."""
    scene.phone = RecordingChannel(lambda _: "away")
    scene.service = scene.start()
    scene.see(dp_rise())
    scene.service = scene.start(Named("other"))
    scene.run(NOON + HOUR)
    (waiting,) = scene.logbook.prompts.deliveries()
    assert waiting.error == "no channel 'recording' is switched on; there are other"


def test_one_finding_that_can_not_be_worked_in_holds_up_no_other(scene, monkeypatch):
    """It stays in the inbox, is counted in the heartbeat, and goes through when the cause is gone."""
    from alerts import wording

    bad = finding("split-drift", "cyclone")
    real = wording.title_of

    def title_of(findings, *args, **kwargs):
        if findings[0].id == bad.id:
            raise ValueError("no words for it")
        return real(findings, *args, **kwargs)

    monkeypatch.setattr(wording, "title_of", title_of)
    done = scene.see(bad, dp_rise())
    assert (done.findings, done.stuck, done.raised) == (1, 1, 1)
    (beat,) = scene.logbook.heartbeats.all()
    assert (beat.service, beat.depth, beat.figures["stuck"]) == ("alerts", 1, 1.0)
    monkeypatch.undo()
    assert scene.run(NOON + HOUR).raised == 1


def test_large_inboxes_are_worked_in_whole(scene, monkeypatch):
    """More than one batch, with stuck rows at its head, is worked in by one run."""
    monkeypatch.setattr("alerts.service.BATCH", 3)
    scene.analyser.commit(*(finding(run=str(i)) for i in range(10)))
    assert scene.run().raised == 10


def test_only_one_instance_works(scene):
    """A second one stands by until the first lets go, and says so in its heartbeat."""
    other = AlertService(scene.logbook, clock=scene.clock, channels=[RecordingChannel()], instance="other")
    scene.run()
    assert other.run_once().standby
    assert {beat.instance: beat.note for beat in scene.logbook.heartbeats.all()} == {"test": "", "other": "standby"}


def test_before_any_time_is_announced_nothing_happens(tmp_path):
    """A stream clock that has heard nothing gives no now; the service idles."""
    with Logbook(str(tmp_path / "l.sqlite")) as logbook:
        service = AlertService(logbook, clock=StreamClock(), channels=[RecordingChannel()])
        assert service.run_once().idle


def test_without_a_fleet_the_error_says_what_to_do(tmp_path):
    """Nothing can be routed; the findings stay in the inbox."""
    clock = StreamClock()
    clock.announce(NOON)
    with Logbook(str(tmp_path / "l.sqlite")) as logbook:
        service = AlertService(logbook, clock=clock, channels=[RecordingChannel()])
        with pytest.raises(UserError, match="skidhand check FLEET"):
            service.run_once()


@pytest.mark.parametrize("channels", [[], [RecordingChannel(), RecordingChannel()]])
def test_channels_need_different_names(scene, channels):
    """None at all, or two of one name, is a mistake of the settings."""
    with pytest.raises(SettingsError, match="different names"):
        AlertService(scene.logbook, clock=scene.clock, channels=channels)


def test_a_lock_that_is_not_let_go_is_an_outage_and_waited_out(tmp_path, monkeypatch):
    """SQLite's "database is locked" is a LogbookError; the loop logs it and sends once the other has let go."""
    import threading

    from skidhand.logbook import database
    from tests.alerts.conftest import Scene

    monkeypatch.setattr(database, "BUSY_SECONDS", 0.05)
    url, stop = str(tmp_path / "logbook.db"), threading.Event()
    with Logbook(url) as logbook, Logbook(url) as other:
        scene = Scene(logbook)
        scene.phone = RecordingChannel(lambda _: stop.set())
        scene.service = scene.start()
        scene.analyser.commit(dp_rise())
        thread = threading.Thread(target=scene.service.run_forever, args=(0.01, stop))
        with other.database.write():
            with pytest.raises(LogbookError, match="locked"):
                scene.service.run_once()
            thread.start()
            assert not stop.wait(0.2)
        assert stop.wait(30)
        thread.join()
        assert len(scene.phone.sent) == 1


def test_the_service_runs_until_it_is_stopped(scene):
    """It works while it runs, and gives the lease back at the end."""
    import threading

    stop = threading.Event()
    scene.phone = RecordingChannel(lambda _: stop.set())
    scene.service = scene.start()
    scene.analyser.commit(dp_rise())
    scene.service.run_forever(0.01, stop)
    assert len(scene.phone.sent) == 1
    assert scene.logbook.leases.take("alerts", "somebody else")
