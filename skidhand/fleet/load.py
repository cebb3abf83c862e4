"""Reads a fleet file; every error names the file, the line and the valid choices."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import yaml
from pydantic import ValidationError

from skidhand.errors import FleetFileError
from skidhand.fleet import rules
from skidhand.fleet.model import Fleet

# libyaml's parser is ten times quicker; the wheel of PyYAML has it, a build without it works as well.
_FASTEST: Final[Any] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Loader(_FASTEST):  # type: ignore[misc]
    """Knows the line of a scalar that only looks right, such as the date 2026-13-20."""

    def construct_object(self, node: yaml.Node, deep: bool = False) -> Any:
        """As PyYAML does, which lets Python's own ValueError through without a line."""
        try:
            return super().construct_object(node, deep)
        except ValueError as error:
            problem = f"{node.value!r} cannot be read: {error}"
            raise yaml.constructor.ConstructorError(None, None, problem, node.start_mark) from error


@dataclass(frozen=True, slots=True)
class FleetVersion:
    """A checked fleet with the text it came from; ``digest`` (sha256, hex) is its version's name."""

    fleet: Fleet
    text: str
    digest: str


def load_fleet(path: Path | str) -> FleetVersion:
    """Read and check the file at ``path``; FleetFileError lists all that is wrong, a line each."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise FleetFileError(f"{path}: cannot read the fleet file: {error}") from error
    return parse_fleet(text, str(path))


def parse_fleet(text: str, name: str = "fleet file") -> FleetVersion:
    """As :func:`load_fleet`, from text; ``name`` stands in the messages."""
    try:
        loader = _Loader(text)
        node = loader.get_single_node()
        _refuse_repeated_keys(node, name)
        data = None if node is None else loader.construct_document(node)
    except RecursionError as error:
        raise FleetFileError(f"{name}: not a fleet file: it is nested without end") from error
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = f":{mark.line + 1}" if mark else ""
        raise FleetFileError(f"{name}{line}: not valid YAML: {getattr(error, 'problem', error)}") from error
    if node is None or not isinstance(data, dict):
        raise FleetFileError(f"{name}:1: a fleet file is a mapping that begins with 'version: 1'")
    try:
        fleet = Fleet.model_validate(data)
    except ValidationError as error:
        wrong = [(tuple(e["loc"]), _said(e)) for e in error.errors(include_url=False)]
        raise FleetFileError(report(name, node, wrong)) from error
    if found := list(rules.problems(fleet)):
        raise FleetFileError(report(name, node, found))
    return FleetVersion(fleet, text, hashlib.sha256(text.encode()).hexdigest())


def _said(error: Any) -> str:
    value = error["input"]
    shown = f" (got {value!r})" if isinstance(value, str | int | float) and error["type"] != "value_error" else ""
    return str(error["msg"]).removeprefix("Value error, ") + shown


def report(name: str, node: yaml.Node, wrong: list[rules.Problem]) -> str:
    """One line a problem: file, line, path into the file, message."""
    lines = []
    for path, message in wrong:
        line, reached = _line(node, path)
        where = ".".join(str(part) for part in reached)
        lines.append(f"{name}:{line}: {where + ': ' if where else ''}{message}")
    return "\n".join(lines)


def _line(node: yaml.Node, path: rules.Path) -> tuple[int, list[str | int]]:
    """Line (from 1) of the deepest node on ``path``, and the part of the path that stands in the file."""
    line, reached = node.start_mark.line + 1, list[str | int]()
    for part in path:
        child: yaml.Node | None = None
        if isinstance(node, yaml.MappingNode):
            for key, value in node.value:
                if key.value == str(part):
                    child, line = value, key.start_mark.line + 1
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
            child = node.value[part]
            line = node.value[part].start_mark.line + 1
        reached.append(part)
        if child is None:
            break
        node = child
    return line, reached


def _refuse_repeated_keys(node: yaml.Node | None, name: str, been: set[int] | None = None) -> None:
    been = set() if been is None else been
    if id(node) in been:  # an alias; following each anew could take for ever
        return
    been.add(id(node))
    if isinstance(node, yaml.MappingNode):
        seen: dict[str, int] = {}
        for key, value in node.value:
            line = key.start_mark.line + 1
            if key.value in seen:
                raise FleetFileError(f"{name}:{line}: {key.value!r} stands already on line {seen[key.value]}")
            seen[key.value] = line
            _refuse_repeated_keys(value, name, been)
    elif isinstance(node, yaml.SequenceNode):
        for value in node.value:
            _refuse_repeated_keys(value, name, been)
