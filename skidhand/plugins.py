"""Finds plug-ins: payload formats, stores, unit types, detectors and channels.

An entry point of a group below names a module or a package; every module in it that has a ``PLUGIN``
(one member, or a tuple of them) adds those members. Built-ins come in by the same door as outsiders.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import EntryPoint, entry_points
from types import ModuleType
from typing import Any, Final

from skidhand.errors import NotFoundError, PluginError


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of plug-in: its entry-point group, the attribute that names a member, what it must have."""

    group: str
    name_attribute: str
    needs: tuple[str, ...]


KINDS: Final[dict[str, Kind]] = {
    "format": Kind("skidhand.formats", "name", ("name", "decode")),
    "store": Kind(
        "skidhand.stores",
        "scheme",
        ("scheme", "lacks", "from_url", "write", "landed", "read", "latest", "read_buckets", "changes", "series",
         "version", "set_clock", "tidy", "close"),
    ),
    "unit_type": Kind("skidhand.unit_types", "name", ("name", "means", "roles", "params", "limits", "hazards")),
    "detector": Kind(
        "skidhand.detectors",
        "name",
        ("name", "version", "kinds", "unit_type", "learns", "needs", "start", "step", "progress"),
    ),
    "channel": Kind("skidhand.channels", "name", ("name", "address", "open", "send")),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Plugin:
    """One member that was found: its kind and name, the thing itself, its module and the distribution."""

    kind: str
    name: str
    member: Any
    module: str
    distribution: str


def _modules(module: ModuleType) -> Iterator[ModuleType]:
    yield module
    if hasattr(module, "__path__"):
        for info in sorted(pkgutil.iter_modules(module.__path__), key=lambda i: i.name):
            yield importlib.import_module(f"{module.__name__}.{info.name}")


def members(kind: str, module: ModuleType, distribution: str = "") -> Iterator[Plugin]:
    """Every member of ``kind`` that ``module`` (or a module inside it) exports; PluginError if one is incomplete."""
    rule = KINDS[kind]
    for part in _modules(module):
        exported = getattr(part, "PLUGIN", None)
        if exported is None:
            continue
        for member in exported if isinstance(exported, tuple) else (exported,):
            if missing := [need for need in rule.needs if not hasattr(member, need)]:
                raise PluginError(f"{part.__name__}: the {kind} {member!r} lacks {', '.join(missing)}")
            yield Plugin(kind, str(getattr(member, rule.name_attribute)), member, part.__name__, distribution)


def _from_entry_point(kind: str, point: EntryPoint) -> Iterator[Plugin]:
    try:
        module = importlib.import_module(point.module)
    except ImportError as error:
        raise PluginError(f"entry point {point.name!r} of {point.group}: cannot import {point.module}") from error
    yield from members(kind, module, point.dist.name if point.dist else "")


@lru_cache(maxsize=len(KINDS))
def load(kind: str) -> dict[str, Plugin]:
    """All members of ``kind`` by name; PluginError when two share a name (both modules are named)."""
    if kind not in KINDS:
        raise NotFoundError(f"no plug-in kind {kind!r}; there are {', '.join(KINDS)}")
    found: dict[str, Plugin] = {}
    for point in sorted(entry_points(group=KINDS[kind].group), key=lambda p: (p.name, p.value)):
        for plugin in _from_entry_point(kind, point):
            other = found.get(plugin.name)
            if other is not None and other.module != plugin.module:
                raise PluginError(f"two {kind}s are named {plugin.name!r}: {other.module} and {plugin.module}")
            found[plugin.name] = plugin
    return found


def get(kind: str, name: str) -> Any:
    """The member ``name`` of ``kind``; NotFoundError lists the valid names."""
    found = load(kind)
    if name not in found:
        raise NotFoundError(f"no {kind} named {name!r}; there are {', '.join(sorted(found))}")
    return found[name].member
