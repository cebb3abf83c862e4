"""docs/prompts.md says what the program does: kinds, routes, cautions, verbs, channels, states.

``python -m tests.alerts.test_docs`` writes the table of kinds into it.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

from alerts import lifecycle
from alerts.words import words_in
from skidhand import plugins
from skidhand.model.kinds import INSTRUMENT, KINDS
from skidhand.model.prompt import Verb

PAGE = Path(__file__).parents[2] / "docs" / "prompts.md"
BEGIN, END = "(made by `python -m tests.alerts.test_docs`) -->\n", "<!-- kinds: end -->"


def table() -> str:
    """The kinds with route, prompt kind, first step and cautions, as Markdown."""
    words = words_in("en")
    lines = ["| kind | on | route | prompt | suggested first step | cautions |", "|---|---|---|---|---|---|"]
    for name, info in KINDS.items():
        hazards = set(info.hazards)
        for on in info.on:
            hazards |= set() if on == INSTRUMENT else plugins.load("unit_type")[on].member.hazards
        said = [words.cautions[code][0] for code in words.cautions if code in hazards]
        said += ["those of its unit"] if INSTRUMENT in info.on else []
        on = ", ".join(info.on)
        lines.append(
            f"| `{name}` | {on} | {info.route} | {info.prompt} | {words.kinds[name].step} | {', '.join(said)} |"
        )
    return "\n".join(lines) + "\n"


def first_cells(heading: str) -> list[str]:
    """What stands in backquotes in the first column of the table below ``heading``."""
    part = PAGE.read_text(encoding="utf-8").split(f"## {heading}\n")[1].split("\n## ")[0]
    return re.findall(r"^\| `([a-z_-]+)`", part, re.MULTILINE)


def test_the_table_of_kinds_is_the_programs():
    """Every kind with its route, prompt kind, first step and cautions, none more and none other."""
    page = PAGE.read_text(encoding="utf-8")
    assert page.split(BEGIN)[1].split(END)[0] == table()


def test_verbs_routes_and_channels_are_all_there():
    """Nothing that somebody can say, set or open is missing from the page, and nothing else is on it."""
    assert first_cells("Answering") == list(get_args(Verb))
    assert sorted(first_cells("Channels")) == sorted(plugins.load("channel"))
    assert first_cells("Routes") == ["phone", "phone-by-day", "desk"]


def test_every_state_is_in_the_picture():
    """The picture names each state of the machine."""
    picture = PAGE.read_text(encoding="utf-8").split("## States")[1].split("```")[1]
    assert [state for state in lifecycle.STATES if state not in picture] == []


if __name__ == "__main__":
    text = PAGE.read_text(encoding="utf-8")
    head, rest = text.split(BEGIN)
    PAGE.write_text(head + BEGIN + table() + END + rest.split(END)[1], encoding="utf-8")
