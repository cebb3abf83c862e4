"""Docs say all that there is, and nothing that there is not."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from ingest.reasons import Reason
from skidhand import plugins, settings
from skidhand.model.kinds import KINDS
from tests.cli import reference
from tests.cli.reference import COMMANDS, DOCS, command_of

ROOT = DOCS.parent
PROMISED = {
    "demo", "check", "simulate", "replay", "ingest", "analyze", "alerts", "findings", "prompts", "export", "score",
    "run", "plugins", "doctor",
}  # fmt: skip
WORDS = sorted(
    f"{name} {sub}".strip() for name, command in COMMANDS.items() for sub in getattr(command, "commands", {"": None})
)
PAGES = [*reference.pages(), *(ROOT / name for name in ("README.md", "DEVELOPERS.md"))]
CALL = re.compile(r"^\s*(?:\$ )?(?:\w+=\S+ )*skidhand (?!\W)(?P<words>.+)$", re.MULTILINE)


def calls(text: str) -> list[str]:
    """What follows ``skidhand`` in every code block."""
    blocks = re.findall(r"^\s*```[a-z]*\n(.*?)^\s*```", text, re.MULTILINE | re.DOTALL)
    return [found["words"].strip() for block in blocks for found in CALL.finditer(block)]


def wrong(words: str) -> str | None:
    """What is wrong with a call: an unknown command or option, or None."""
    parts = shlex.split(words, comments=True)
    if parts[0] in ("--help", "--version"):
        return None
    name = " ".join(parts[:2]) if parts[0] in ("prompts", "log") else parts[0]
    try:
        command = command_of(name)
    except (KeyError, AttributeError):
        return f"no command {name!r}"
    known = {option for p in command.params for option in [*p.opts, *p.secondary_opts]} | {"--help"}
    unknown = [part for part in parts if part.startswith("--") and part.split("=")[0] not in known]
    return f"{name} has no {unknown}" if unknown else None


def test_every_promised_command_exists():
    """The commands that the job needs are there."""
    assert set(COMMANDS) >= PROMISED


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_a_command_has_its_page(name):
    """Each command has a page that is named after it and shows it in use."""
    text = (DOCS / "commands" / f"{name}.md").read_text(encoding="utf-8")
    assert text.startswith(f"# `skidhand {name}`\n")
    assert [call for call in calls(text) if call.split()[0] == name]


def test_no_page_of_a_command_that_is_gone():
    """A page without a command would send people astray."""
    assert {path.stem for path in (DOCS / "commands").glob("*.md")} == set(COMMANDS)


@pytest.mark.parametrize("words", WORDS)
def test_a_command_has_help_with_an_example(words):
    """Help of each command holds an example that calls it, and says what every option means."""
    command = command_of(words)
    example = re.search(r"Example:\s+skidhand (.+)", command.help)
    assert example, f"{words} has no example"
    assert example[1].startswith(words)
    assert wrong(example[1]) is None
    assert [p.name for p in command.params if not p.help] == []
    assert f"<!-- made: options {words} -->" in (DOCS / "commands" / f"{words.split()[0]}.md").read_text(
        encoding="utf-8"
    )


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_calls_in_docs_parse(page):
    """Every ``skidhand …`` line in a code block calls a command that exists, with options that it has."""
    text = page.read_text(encoding="utf-8")
    assert {call: said for call in calls(text) if (said := wrong(call))} == {}


def test_calls_are_found_and_judged():
    """The search above sees calls, and tells wrong ones."""
    text = "```\n$ skidhand check fleet.yaml\nSKIDHAND_STORE=/x skidhand chek\n```\nskidhand nothing\n"
    assert calls(text) == ["check fleet.yaml", "chek"]
    assert wrong("check fleet.yaml --aply") == "check has no ['--aply']"
    assert wrong("prompts acknowledge 1") == "no command 'prompts acknowledge'"
    assert wrong("check fleet.yaml --format=csv > a.csv  # --comment") is None


@pytest.mark.parametrize("page", reference.pages(), ids=lambda path: str(path.relative_to(DOCS)))
def test_made_parts_are_current(page):
    """What is made from the code is as the code has it (python -m tests.cli.reference)."""
    text = page.read_text(encoding="utf-8")
    assert text == reference.filled(text)


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_somewhere(page):
    """A link to a file of ours finds it."""
    targets = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
    ours = [target for target in targets if not re.match(r"[a-z]+:", target)]
    assert [target for target in ours if not (page.parent / target).exists()] == []


def entries() -> dict[str, tuple[Path, set[str]]]:
    """What must stand in docs: what sort of thing → page and names."""
    return {
        "setting": (DOCS / "settings.md", {name for name, *_ in settings.documented()}),
        "unit type": (DOCS / "fleet-file.md", set(plugins.load("unit_type"))),
        "refusal reason": (DOCS / "ingest.md", {str(reason) for reason in Reason}),
        "kind of finding": (DOCS / "commands" / "findings.md", set(KINDS)),
        "plug-in": (
            DOCS / "commands" / "plugins.md",
            {n for k in plugins.KINDS for n, p in plugins.load(k).items() if p.distribution == "skidhand"},
        ),
    }


@pytest.mark.parametrize("sort", sorted(entries()))
def test_everything_has_its_entry(sort):
    """Each setting, unit type, refusal reason, kind of finding and plug-in stands in docs under its name."""
    page, names = entries()[sort]
    text = page.read_text(encoding="utf-8")
    assert names
    assert [name for name in sorted(names) if f"`{name}`" not in text] == []


def detectors() -> list[str]:
    """Our own detectors."""
    return sorted(n for n, p in plugins.load("detector").items() if p.distribution == "skidhand")


def test_there_are_detectors():
    """The page test below looks at something."""
    assert detectors()


@pytest.mark.parametrize("name", detectors())
def test_a_detector_has_its_page(name):
    """Each detector has a page of its own, which names the kinds that it raises."""
    text = (DOCS / "detectors" / f"{name}.md").read_text(encoding="utf-8")
    kinds = plugins.get("detector", name).kinds
    assert [kind for kind in sorted(kinds) if f"`{kind}`" not in text] == []
