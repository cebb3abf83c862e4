"""The parts of docs that are made from the code, so that they cannot fall behind it.

A page holds ``<!-- made: NAME -->`` … ``<!-- end -->``; ``python -m tests.cli.reference`` fills in what
stands between, and a test compares.
"""

from __future__ import annotations

import importlib
import inspect
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import typer

from skidhand import plugins, settings
from skidhand.cli.main import app
from skidhand.model.kinds import INSTRUMENT, KINDS

DOCS = Path(__file__).parents[2] / "docs"
BLOCK = re.compile(r"(<!-- made: (?P<name>[^>]+) -->\n).*?(<!-- end -->)", re.DOTALL)
COMMANDS = typer.main.get_command(app).commands


def pages() -> list[Path]:
    """Every page of docs."""
    return sorted(DOCS.rglob("*.md"))


def filled(text: str) -> str:
    """The page with every made block as the code has it now."""
    return BLOCK.sub(lambda found: found[1] + made(found["name"]) + found[3], text)


def made(name: str) -> str:
    """One block: ``options check``, ``settings``, ``unit types``, ``kinds`` or ``plug-ins``."""
    word, _, rest = name.partition(" ")
    return _options(rest) if word == "options" else BLOCKS[name]()


def command_of(words: str) -> typer.core.TyperCommand:
    """The command of ``check`` or ``prompts list``; KeyError when there is none."""
    command = typer.main.get_command(app)
    for word in words.split():
        command = command.commands[word]
    return command


def _options(words: str) -> str:
    # Not the text of --help: its layout differs between versions of the library that prints it.
    parameters = [p for p in command_of(words).params if p.name != "help"]
    rows = ((_spelt(p), p.help or "", _default(p)) for p in parameters)
    return f"`skidhand {words} --help` says:\n\n" + table(("option", "meaning", "default"), rows)


def _spelt(parameter: typer.core.TyperOption | typer.core.TyperArgument) -> str:
    if parameter.param_type_name == "argument":
        return f"`{parameter.name.upper()}`"
    metavar = "" if parameter.is_flag else f" {parameter.metavar or parameter.name.upper()}"
    return ", ".join(f"`{option}{metavar}`" for option in [*parameter.opts, *parameter.secondary_opts])


def _default(parameter: typer.core.TyperOption | typer.core.TyperArgument) -> str:
    value = getattr(parameter.default, "value", parameter.default)
    if parameter.required or value is None or value == "" or (value is False and not parameter.secondary_opts):
        return ""
    if isinstance(value, bool):
        return f"`{(parameter.opts if value else parameter.secondary_opts)[0]}`"
    return f"`{value}`"


def table(head: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> str:
    """A Markdown table."""
    lines = [head, tuple("---" for _ in head), *rows]
    return "".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |\n" for line in lines)


def _settings() -> str:
    rows = ((f"`{n}`", f"`{v}`", f"`{d}`" if d else "", m) for n, v, d, m in settings.documented())
    return table(("setting", "variable", "default", "meaning"), rows)


def _unit_types() -> str:
    parts = []
    for name, plugin in sorted(plugins.load("unit_type").items()):
        kind = plugin.member
        parts.append(f"### `{name}`: {kind.means}\n\n")
        roles = ((f"`{n}`", f"`{r.unit}`", r.means) for n, r in kind.roles.items())
        parts.append(table(("role", "unit like", "meaning"), roles) + "\n")
        if kind.params:
            params = ((f"`{n}`", f"`{p.unit}`", p.means, p.costs) for n, p in kind.params.items())
            parts.append(table(("parameter", "unit", "meaning", "without it there is no"), params) + "\n")
        if kind.limits:
            limits = ((f"`{n}`", f"{x.default:g} `{x.unit}`", x.means, x.source) for n, x in kind.limits.items())
            parts.append(table(("limit", "default", "meaning", "source of the default"), limits) + "\n")
    return "\n" + "".join(parts)


def _kinds() -> str:
    def where(on: tuple[str, ...]) -> str:
        return ", ".join("any instrument" if place == INSTRUMENT else place for place in on)

    rows = (
        (f"`{k.name}`", where(k.on), k.means, ", ".join(cause for cause, _ in k.causes), k.route)
        for k in KINDS.values()
    )
    return table(("kind", "arises on", "what it says", "causes told apart", "goes to"), rows)


def _plugins() -> str:
    rows = (
        (kind, f"`{name}`", f"`{plugin.module}`", _first_line(plugin.module))
        for kind in plugins.KINDS
        for name, plugin in sorted(plugins.load(kind).items())
        if plugin.distribution == "skidhand"
    )
    return table(("kind", "name", "module", "what it is"), rows)


def _first_line(module: str) -> str:
    return (inspect.getdoc(importlib.import_module(module)) or "").splitlines()[0]


BLOCKS: dict[str, Callable[[], str]] = {
    "settings": _settings,
    "unit types": _unit_types,
    "kinds": _kinds,
    "plug-ins": _plugins,
}


if __name__ == "__main__":
    for page in pages():
        before = page.read_text(encoding="utf-8")
        if (after := filled(before)) != before:
            page.write_text(after, encoding="utf-8")
