"""What was sent and said about a prompt, in order."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from board.house import House
from board.words import Words
from skidhand.model.prompt import Prompt


@dataclass(frozen=True, slots=True)
class Item:
    """One thing: when, by or to whom, what, and what became of it."""

    at: datetime
    who: str
    text: str
    result: str


def log_of(house: House, prompt: Prompt, t: Words) -> list[Item]:
    """Messages, answers and changes of state."""
    items = []
    for one in house.logbook.prompts.deliveries(prompt.id):
        who = t("event.sent-to", person=one.person, channel=one.channel)
        items.append(Item(one.sent or one.queued, who, one.text, one.error or one.state))
    for said in house.logbook.answers.to(prompt.code):
        result = t("event.refused", why=said.reason) if said.state == "refused" else t(f"event.{said.state}")
        what = t(f"verb.{said.verb}") if f"verb.{said.verb}" in t.texts else said.verb
        items.append(Item(said.at, f"{said.who} ({said.channel})", f"{what} {said.text}".strip(), result))
    for change in house.logbook.prompts.history(prompt.id):
        items.append(Item(change.at, change.who, change.why, t(f"prompt.{change.after}")))
    return sorted(items, key=lambda item: item.at)
