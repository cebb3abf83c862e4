"""What was sent and said about a prompt, in order."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime

from board.house import House
from board.words import Words
from skidhand.model.kinds import KINDS
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
        items.append(Item(one.sent or one.queued, who, one.text, t.said(one.error or one.state)))
    for said in house.logbook.answers.about(prompt):
        result = (
            t("event.refused", why=t.said(said.reason or "")) if said.state == "refused" else t(f"event.{said.state}")
        )
        what = t(f"verb.{said.verb}") if f"verb.{said.verb}" in t.texts else said.verb
        items.append(Item(said.at, f"{said.who} ({said.channel})", f"{what} {said.text}".strip(), result))
    for change in house.logbook.prompts.history(prompt.id):
        why = t("event.raised") if change.before is None else t.said(_spelt(change.why))
        items.append(Item(change.at, change.who, why, t(f"prompt.{change.after}")))
    return sorted(items, key=lambda item: item.at)


def _spelt(why: str) -> str:
    """Without the dashes of kinds' codes: ``split-drift, revision 2`` is no sentence for people."""
    return re.sub(r"[a-z]+(?:-[a-z]+)+", lambda code: code[0].replace("-", " ") if code[0] in KINDS else code[0], why)
