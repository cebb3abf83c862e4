"""docs/prompts.md says what the program does: kinds, routes, cautions, verbs, channels, states.

``python -m tests.alerts.test_docs`` writes the table of kinds into it.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

from alerts import lifecycle
from alerts.channels import open_channel
from alerts.channels.email import Mail
from alerts.channels.http_gateway import Gateway
from alerts.channels.sms_modem import Modem
from alerts.channels.webhook import Hook
from alerts.inbound.spoken import DIGITS
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


def examples() -> dict[str, str]:
    """Channel and file of every example on the channels' page."""
    page = (PAGE.parent / "channels.md").read_text(encoding="utf-8")
    return dict(re.findall(r"<!-- example: (\w+) -->\n```toml\n(.*?)```", page, re.DOTALL))


def test_every_channel_with_a_file_has_an_example_that_opens(tmp_path, monkeypatch):
    """As it stands, with its secrets set; every channel is on the page."""
    page = (PAGE.parent / "channels.md").read_text(encoding="utf-8")
    for name in ("SMS_HTTP", "VOICE_HTTP", "EMAIL", "WEBHOOK", "LISTEN", "LINKS"):
        assert f"SKIDHAND_{name}_SECRET" in page
        monkeypatch.setenv(f"SKIDHAND_{name}_SECRET", "a long secret of this test")
    assert set(examples()) == {"sms_http", "sms_modem", "voice_http", "email", "webhook"}
    for name, text in examples().items():
        (tmp_path / "example.toml").write_text(text, encoding="utf-8")
        assert open_channel(f"{name}:{tmp_path / 'example.toml'}").name == name


def test_every_field_of_a_channels_file_is_on_the_page():
    """Nothing that can be set is left to be guessed."""
    page = (PAGE.parent / "channels.md").read_text(encoding="utf-8")
    fields = {name for model in (Gateway, Mail, Modem, Hook) for name in model.model_fields}
    assert [name for name in sorted(fields) if not re.search(rf"\b{name}\b", page)] == []


def test_every_digit_and_its_words_are_on_the_page():
    """The digits, with the word that a message shows in each language."""
    page = (PAGE.parent / "channels.md").read_text(encoding="utf-8")
    for digit, verb in DIGITS.items():
        row = next(line for line in page.splitlines() if line.endswith(f"| `{verb}` |"))
        assert row.startswith(f"| {digit}")
        assert all(words_in(language).verbs[verb][0] in row for language in ("en", "es"))


def test_every_state_is_in_the_picture():
    """The picture names each state of the machine."""
    picture = PAGE.read_text(encoding="utf-8").split("## States")[1].split("```")[1]
    assert [state for state in lifecycle.STATES if state not in picture] == []


if __name__ == "__main__":
    text = PAGE.read_text(encoding="utf-8")
    head, rest = text.split(BEGIN)
    PAGE.write_text(head + BEGIN + table() + END + rest.split(END)[1], encoding="utf-8")
