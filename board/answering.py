"""Answers to prompts: a row for alerts, which alone changes a prompt."""

from __future__ import annotations

from datetime import datetime
from typing import Final, Literal
from uuid import uuid4

from board.house import House
from board.viewer import Viewer
from skidhand.model.prompt import Answer, Prompt

Said = Literal["acknowledge", "mine", "done", "false", "wait", "pass"]
"""What may be said through the board."""

SAID: Final[tuple[Said, ...]] = ("acknowledge", "mine", "done", "false", "wait", "pass")
CHANNEL: Final = "board"


def answer(house: House, viewer: Viewer, prompt: Prompt, verb: Said, text: str, at: datetime) -> Answer:
    """Put it before alerts, in the name by which the roster knows this viewer."""
    said = Answer(
        id=uuid4(),
        at=at,
        who=viewer.person or viewer.name,
        code=prompt.code,
        verb=verb,
        text=text.strip(),
        channel=CHANNEL,
    )
    house.logbook.answers.add(said)
    return said
