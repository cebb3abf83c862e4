"""The English that other rooms put into findings, notes and history, read out of their source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import alerts
import analytics
import board
import skidhand.fleet.coverage

GAP: Final = "{}"
Scope = ast.AST


def templates(node: ast.expr | None, scope: Scope, depth: int = 0) -> Iterator[str]:
    """What an expression may say, with a gap for each part that is not written down; ``scope``: where names are set."""
    match node:
        case ast.Constant(value=str(text)):
            yield text
        case ast.JoinedStr(values=parts):
            yield "".join(str(p.value) if isinstance(p, ast.Constant) else GAP for p in parts)
        case ast.IfExp(body=one, orelse=other):
            yield from templates(one, scope, depth)
            yield from templates(other, scope, depth)
        case ast.BoolOp(values=several) | ast.Tuple(elts=several):
            for one in several:
                yield from templates(one, scope, depth)
        case ast.Name(id=name) if depth < 4:
            for value in _set(name, scope):
                yield from templates(value, scope, depth + 1)


@cache
def ruled_out() -> set[str]:
    """What else a finding could have been, and why it is not."""
    return {
        text
        for tree in _trees(Path(analytics.__path__[0]))
        for call, scope in _calls(tree, {"RuledOut"})
        for word in call.keywords
        for text in templates(word.value, scope)
    }


def told() -> set[str]:
    """What ``unplanned_stop`` says by a table of its own, which :func:`ruled_out` cannot follow."""
    tree = ast.parse((Path(analytics.__path__[0]) / "detectors" / "unplanned_stop.py").read_text(encoding="utf-8"))
    tables = [value for value in _set("told", tree) if isinstance(value, ast.Dict)]
    return {text for table in tables for value in table.values for text in templates(value, tree)}


@cache
def notes() -> set[str]:
    """What detectors lack, or do less well without; names of roles alone are left as the fleet file has them."""
    found = {
        text
        for tree in _trees(Path(analytics.__path__[0]))
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.name == "needs"
        for part in ast.walk(node)
        if isinstance(part, (ast.Constant, ast.JoinedStr)) and getattr(part, "value", "") != ast.get_docstring(node)
        for text in templates(part, node)
    }
    source = Path(str(skidhand.fleet.coverage.__file__)).read_text(encoding="utf-8")
    tree = ast.parse(source)
    found |= {text for name in ("NO_DETECTOR", "NO_UNITS") for v in _set(name, tree) for text in templates(v, tree)}
    return {text for text in found if " " in text.strip(": {}")}


@cache
def figures() -> set[str]:
    """Names of figures and pictures of evidence."""
    at = {"plain": 0, "number": 2, "trace": 2}
    found = set()
    for tree in _trees(Path(analytics.__path__[0])):
        for call, scope in _calls(tree, {*at, "Number", "Trace"}):
            place = at.get(_name(call), 99)
            given = next((k.value for k in call.keywords if k.arg == "name"), None)
            if given is None and len(call.args) > place:
                given = call.args[place]
            found |= set(templates(given, scope))
    return {name for name in found if name.strip("{}_")}


@cache
def history() -> set[str]:
    """Why a prompt changed, and why a message was not sent."""
    found = set()
    for tree in _trees(Path(alerts.__path__[0])):
        for call, scope in _calls(tree, {"settle", "over", "_return", "_step", "_move", "withdraw", "Quiet", "move"}):
            given = [*call.args[1:], *(k.value for k in call.keywords if k.arg == "why")]
            found |= {text for one in given for text in templates(one, scope)}
    return {text for text in found if " " in text}


@cache
def refusals() -> set[str]:
    """What the board's pages refuse, and why."""
    kinds = {"RefusedError", "UserError", "NotFoundError"}
    return {
        text
        for tree in _trees(Path(board.__path__[0]))
        for call, scope in _calls(tree, kinds)
        if call.args
        for text in templates(call.args[0], scope)
    }


@cache
def _trees(folder: Path) -> list[ast.Module]:
    return [ast.parse(file.read_text(encoding="utf-8")) for file in sorted(folder.rglob("*.py"))]


def _calls(tree: ast.Module, names: set[str]) -> Iterator[tuple[ast.Call, Scope]]:
    """Calls of these, each with the innermost function around it."""
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and _name(node) in names:
            around = [f for f in functions if f.lineno <= node.lineno <= (f.end_lineno or 0)]
            yield node, max(around, key=lambda f: f.lineno, default=tree)


def _name(call: ast.Call) -> str:
    return str(getattr(call.func, "id", getattr(call.func, "attr", "")))


def _set(name: str, scope: Scope) -> Iterator[ast.expr]:
    """The values that ``name`` is given in ``scope``."""
    for node in ast.walk(scope):
        targets = (
            node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
        )
        value = getattr(node, "value", None)
        if value is not None and any(isinstance(one, ast.Name) and one.id == name for one in targets):
            yield value
