"""An alerts service over a real logbook, with channels that record, and a clock that the test moves."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import datetime, timedelta

import pytest

from alerts.channels.recording import RecordingChannel
from alerts.service import AlertService, Summary
from skidhand.clock import StreamClock
from skidhand.logbook import Logbook
from skidhand.model.finding import Finding
from skidhand.model.prompt import Answer, Prompt
from tests.alerts.helpers import NOON, VERSION, Analyser
from tests.logbook.databases import KINDS, database


class Scene:
    """Analytics on one side, people on the other, alerts between them."""

    def __init__(self, logbook: Logbook) -> None:
        self.logbook = logbook
        self.clock = StreamClock()
        self.clock.announce(NOON)
        self.phone = RecordingChannel()
        self.analyser = Analyser(logbook)
        self.service = self.start()
        logbook.fleets.apply(VERSION, effective=NOON - timedelta(days=60), who="test")

    def start(self, *channels) -> AlertService:
        """A service as a new process would begin one."""
        return AlertService(
            self.logbook,
            clock=self.clock,
            channels=channels or [self.phone],
            instance="test",
            rng=random.Random(7),
        )

    def see(self, *findings: Finding, at: datetime | None = None) -> Summary:
        """Analytics commits, time moves on, alerts runs once."""
        for finding in findings:
            self.analyser.commit(finding)
        return self.run(at)

    def run(self, at: datetime | None = None) -> Summary:
        """Alerts runs once, at ``at``."""
        if at is not None:
            self.clock.announce(at)
        return self.service.run_once()

    def answer(self, code: str, verb: str, text: str = "", who: str = "robin", at: datetime | None = None) -> Answer:
        """Somebody answers, alerts runs once; gives the judged answer."""
        from uuid import uuid4

        now = at or self.clock.now()
        answer = Answer(id=uuid4(), at=now, who=who, code=code, verb=verb, text=text, channel="test")
        self.logbook.answers.add(answer)
        self.run(at)
        return self.logbook.answers.get(answer.id)

    def only(self) -> Prompt:
        """The one prompt that there is."""
        prompts = self.logbook.prompts.all()
        assert len(prompts) == 1
        return prompts[0]

    def states(self, prompt: Prompt) -> list[str]:
        """The states that a prompt went through."""
        return [row.after for row in self.logbook.prompts.history(prompt.id)]


@pytest.fixture(params=KINDS)
def scene(request, tmp_path) -> Iterator[Scene]:
    """A scene on each kind of database."""
    with database(request.param, tmp_path) as url, Logbook(url) as logbook:
        yield Scene(logbook)
