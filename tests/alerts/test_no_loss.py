"""Whatever comes in whatever order, no prompt is lost: findings, stops, lost data, work, answers, time."""

from __future__ import annotations

import random
from datetime import timedelta
from itertools import pairwise
from uuid import uuid4

from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.actions import EVENT
from skidhand.model.prompt import Work
from tests.alerts.helpers import NOON, dp_rise, finding, revised
from tests.alerts.quick import STEPS, acted

QUIETING = ("unplanned-stop", "no-data", "backwash-stuck")
POOL = (
    finding(),
    finding(run="2"),
    dp_rise(),
    finding("tank-filling", "weir-tank"),
    finding("sensor-frozen", "PT-201"),
    finding("unplanned-stop", "skid"),
    finding("no-data", "skid"),
    finding("backwash-stuck", "filter-a"),
)
TEXTS = {"wait": "2h", "work": "30m", "pass": ""}


def step(scene, draw, current, now):
    """One thing happens: a revision, an answer, work, or only time."""
    what = draw.choice(["finding", "finding", "answer", "work", "time"])
    if what == "finding":
        base = draw.choice(POOL)
        known = current.get(base.id)
        changes = {"state": draw.choice(["open", "open", "closed"]), "severity": draw.choice(["medium", "high"])}
        current[base.id] = revised(known, **changes) if known else base.model_copy(update=changes)
        scene.analyser.commit(current[base.id])
    elif what == "answer" and (prompts := scene.logbook.prompts.all()):
        verb = draw.choice(sorted(EVENT))
        scene.answer(draw.choice(prompts).code, verb, TEXTS.get(verb, ""), who=draw.choice(["robin", "sasha"]), at=now)
    elif what == "work":
        until = now + timedelta(minutes=draw.randint(5, 300))
        kind = draw.choice(["work", "outage"])
        unit = draw.choice([None, "cyclone"])
        scene.logbook.work.add(
            Work(id=uuid4(), skid="tf-skid-1", unit=unit, kind=kind, who="robin", begins=now, until=until)
        )
    scene.run(now)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10**9))
def test_no_path_loses_a_prompt(seed):
    """At the end, with every reason for quiet gone, what still stands has been told or was called false."""
    draw, now, current = random.Random(seed), NOON, {}
    with acted(fleet=STEPS + "  delays: {split-drift: {off_delay: 10}}\n") as scene:
        for _ in range(draw.randint(3, 14)):
            now += timedelta(minutes=draw.choice([0, 1, 7, 40, 200]))
            step(scene, draw, current, now)
        for one in list(current.values()):
            if one.kind in QUIETING:
                current[one.id] = revised(one, state="closed")
                scene.analyser.commit(current[one.id])
        for hours in range(5, 65, 5):  # shelves, work, delays and nights have ended
            scene.run(now + timedelta(hours=hours))
        prompts = scene.logbook.prompts
        for one in current.values():
            prompt = prompts.of_finding(one.id)
            assert one.id in prompt.findings
            if one.state == "open":
                assert prompt.state in ("unacknowledged", "acknowledged") or prompt.verdict == "false"
                messages = prompts.deliveries(prompt.id)
                answered = any(row.who != "skidhand" for row in prompts.history(prompt.id))
                assert answered or any(message.state in ("sent", "summarised") for message in messages)
        for prompt in prompts.all():
            rows = prompts.history(prompt.id)
            assert [row.before for row in rows] == [None, *(row.after for row in rows[:-1])]
            assert rows[-1].after == prompt.state
            assert all(row.who and row.why for row in rows)
            assert all(a.at <= b.at for a, b in pairwise(rows))
        assert scene.logbook.work.open() == []
        assert scene.run(now + timedelta(days=3)).stuck == 0
