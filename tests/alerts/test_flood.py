"""A thousand findings in a minute: a bounded number of messages, one summary, and all of it in the logbook."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

from alerts import flood
from alerts.watch import blind_spots
from skidhand.model.heartbeat import Heartbeat
from tests.alerts.helpers import NOON, finding
from tests.alerts.quick import Phone, acted, people

MINUTE = timedelta(minutes=1)
SECOND = timedelta(seconds=1)


def test_the_eleventh_message_in_ten_minutes_waits_for_a_summary():
    """The most severe go first; a minute later one message tells how many more and which first."""
    with acted() as scene:
        scene.see(*(finding(run=str(i), severity="high" if i > 20 else "low") for i in range(30)))
        assert len(scene.phone.sent) == flood.MOST
        assert {one.priority for one in scene.phone.sent} == {"high", "low"}
        assert [one.priority for one in scene.phone.sent[:9]] == ["high"] * 9
        scene.run(NOON + MINUTE)
        assert len(scene.phone.sent) == flood.MOST + 1
        assert scene.phone.texts[-1].startswith("20 more prompts, 0 HIGH, not sent one by one.")
        scene.see(finding(run="99"), at=NOON + 2 * MINUTE)
        scene.run(NOON + 5 * MINUTE)
        assert len(scene.phone.sent) == flood.MOST + 1, "the next summary comes a window later"
        assert len(scene.logbook.prompts.all()) == 31


def test_a_thousand_findings_in_a_minute():
    """A hundred times EEMUA 191's flood: every finding has its prompt, each person gets 10 messages and one."""
    with acted() as scene:
        for second in range(2):
            scene.analyser.commit(*(finding(run=f"{second}-{i}") for i in range(500)))
            scene.run(NOON + 30 * second * SECOND)
        scene.run(NOON + 2 * MINUTE)
        assert Counter(people(scene.phone)) == {"robin": flood.MOST + 1}
        assert scene.phone.texts[-1].startswith("990 more prompts")
        assert len(scene.logbook.prompts.open()) == 1000
        assert scene.logbook.prompts.inbox_depth() == 0
        scene.run(NOON + 30 * MINUTE)
        counts = Counter(people(scene.phone))
        assert counts["sasha"] <= flood.MOST
        assert counts["robin"] <= 2 * flood.MOST


def test_a_flood_is_worked_in_by_short_transactions(monkeypatch):
    """However little one transaction takes, all of it is worked in, kept back once, and told to the next in time."""
    from alerts import postman, service, timers

    for module, name, most in ((service, "BATCH", 7), (postman, "KEPT", 4), (timers, "MOST", 5)):
        monkeypatch.setattr(module, name, most)
    monkeypatch.setattr(postman, "PAUSE_S", 0.0)
    monkeypatch.setattr(service, "PAUSE_S", 0.0)
    with acted() as scene:
        scene.see(*(finding(run=str(i)) for i in range(40)))
        scene.run(NOON + MINUTE)
        assert Counter(people(scene.phone)) == {"robin": flood.MOST + 1}
        assert scene.phone.texts[-1].startswith("30 more prompts")
        for _ in range(40 // 5):
            scene.run(NOON + 16 * MINUTE)
        told = {(one.prompt, one.person) for one in scene.logbook.prompts.deliveries() if one.purpose == "reminder"}
        assert len(told) == 40
        assert {person for _, person in told} == {"sasha"}
        assert {prompt.step for prompt in scene.logbook.prompts.open()} == {1}


def test_a_quiet_ten_minutes_and_each_is_told_alone_again():
    """The count is of the last ten minutes."""
    with acted() as scene:
        scene.see(*(finding(run=str(i)) for i in range(10)))
        scene.see(*(finding(run=f"b{i}") for i in range(3)), at=NOON + 11 * MINUTE)
        assert len(scene.phone.sent) == 13


def test_what_reaches_no_person_is_never_kept_back():
    """A file or a webhook gets all of it."""
    from alerts.channels.recording import RecordingChannel

    file = RecordingChannel()
    with acted(Phone(), file) as scene:
        scene.see(*(finding(run=str(i)) for i in range(30)))
        assert (len(scene.phone.sent), len(file.sent)) == (10, 30)


def beat(service, age, **fields):
    """A sign of life that is ``age`` old."""
    return Heartbeat(service=service, instance="a", at=NOON - age, version="0", **fields)


def test_blindness_is_seen():
    """A silent ingest or analysis, a fleet that sends nothing, a dumb channel; not what never ran here."""
    seen = {"tf-skid-1": NOON - 20 * MINUTE}
    assert blind_spots([], {}, NOON) == {}
    assert blind_spots([beat("ingest", SECOND, last_seen={"tf-skid-1": NOON}), beat("analyze", MINUTE)], {}, NOON) == {}
    spots = blind_spots([beat("ingest", SECOND, last_seen=seen), beat("analyze", 11 * MINUTE)], {"sms": 5}, NOON)
    assert set(spots) == {"data", "analyze", "channel sms"}
    assert blind_spots([beat("ingest", 3 * MINUTE, last_seen=seen)], {}, NOON) == {
        "ingest": f"ingest silent since {NOON - 3 * MINUTE:%H:%M}Z"
    }


def test_somebody_hears_of_blindness_once_and_it_ends():
    """A prompt like any other, by any duty, with escalation; back to normal when it sees again."""
    from alerts.service import AlertService
    from alerts.watch import Watch

    with acted() as scene:
        watch = Watch()
        scene.service = AlertService(
            scene.logbook, clock=scene.clock, channels=[scene.phone], instance="test", watch=watch
        )
        watch.look([beat("ingest", 3 * MINUTE)], {}, NOON)
        watch.look = lambda *_: None
        scene.run(NOON)
        scene.run(NOON + MINUTE)
        assert scene.phone.texts == [
            f"skidhand is blind: ingest silent since 17:57Z. Suggest host, link and service check per site procedure. "
            f"Answer {scene.only().code}"
        ]
        scene.run(NOON + 15 * MINUTE)
        assert people(scene.phone) == ["robin", "sasha"]
        watch.spots = {}
        scene.run(NOON + 16 * MINUTE)
        assert scene.only().state == "returned-unacknowledged"


def test_the_sign_of_life_is_given_and_a_failure_stops_nothing(tmp_path, monkeypatch):
    """A file's time and an address; at most once a minute; an address that is away is only logged."""
    import httpx

    from alerts import deadman

    called, now = [], [0.0]
    monkeypatch.setattr(deadman, "monotonic", lambda: now[0])
    monkeypatch.setattr(deadman.httpx, "get", lambda url, **_: called.append(url) or httpx.Response(
        204, request=httpx.Request("GET", url)))  # fmt: skip
    file = tmp_path / "alive"
    sign = deadman.DeadMan(file, "http://watch.example/ping")
    sign.alive()
    sign.alive()
    assert (file.exists(), called) == (True, ["http://watch.example/ping"])
    now[0] = 61.0
    monkeypatch.setattr(deadman.httpx, "get", lambda *_, **__: (_ for _ in ()).throw(httpx.ConnectError("away")))
    sign.alive()
