"""Plug-ins are found by entry point; a clash or an incomplete member stops the start and names the file."""

from __future__ import annotations

import sys
from importlib.metadata import EntryPoint
from types import ModuleType, SimpleNamespace

import pytest

from skidhand import plugins
from skidhand.errors import NotFoundError, PluginError

COMPLETE = {"name": "sieve", "means": "a sieve", "roles": {}, "params": {}, "limits": {}, "hazards": frozenset()}


@pytest.fixture
def offer(monkeypatch):
    """``offer(module=member, ...)`` installs modules whose PLUGIN these are, as the only unit types there are."""

    def install(**modules) -> None:
        points = []
        for name, member in modules.items():
            module = ModuleType(f"outside_{name}")
            module.PLUGIN = member
            monkeypatch.setitem(sys.modules, module.__name__, module)
            points.append(EntryPoint(name, module.__name__, "skidhand.unit_types"))
        monkeypatch.setattr(plugins, "entry_points", lambda group: [p for p in points if p.group == group])
        plugins.load.cache_clear()

    yield install
    plugins.load.cache_clear()


def test_built_ins_come_by_the_same_door():
    """The unit types of this project are found through its entry point, each under its own name."""
    found = plugins.load("unit_type")
    assert {"hydrocyclone", "media_filter", "weir_tank", "skid"} <= set(found)
    assert {plugin.distribution for plugin in found.values()} == {"skidhand"}
    assert [name for name, plugin in found.items() if plugin.member.name != name] == []
    assert plugins.get("unit_type", "skid") is found["skid"].member


def test_an_outsider_joins(offer):
    """A module of another package joins by entry point alone; it may bring one member or several."""
    offer(one=SimpleNamespace(**COMPLETE), two=(SimpleNamespace(**{**COMPLETE, "name": "screen"}),))
    assert {name: plugin.module for name, plugin in plugins.load("unit_type").items()} == {
        "sieve": "outside_one",
        "screen": "outside_two",
    }


def test_two_of_one_name(offer):
    """Two members of one name stop the start, and both modules are named."""
    offer(one=SimpleNamespace(**COMPLETE), two=SimpleNamespace(**COMPLETE))
    with pytest.raises(PluginError, match="'sieve': outside_one and outside_two"):
        plugins.load("unit_type")


@pytest.mark.parametrize("part", sorted(COMPLETE))
def test_an_incomplete_member(offer, part):
    """A member that lacks a part of its protocol stops the start; module and part are named."""
    offer(one=SimpleNamespace(**{key: value for key, value in COMPLETE.items() if key != part}))
    with pytest.raises(PluginError, match=rf"outside_one: .* lacks {part}"):
        plugins.load("unit_type")


def test_a_module_that_is_not_there(monkeypatch):
    """An entry point whose module cannot be imported is named."""
    point = EntryPoint("gone", "outside_gone", "skidhand.unit_types")
    monkeypatch.setattr(plugins, "entry_points", lambda group: [p for p in (point,) if p.group == group])
    plugins.load.cache_clear()
    with pytest.raises(PluginError, match=r"'gone' of skidhand.unit_types: cannot import outside_gone"):
        plugins.load("unit_type")
    plugins.load.cache_clear()


def test_unknown_names_list_the_known():
    """An unknown kind or member is told with those that there are."""
    with pytest.raises(NotFoundError, match=r"'valve'; there are .*hydrocyclone"):
        plugins.get("unit_type", "valve")
    with pytest.raises(NotFoundError, match=r"'valves'; there are .*unit_type"):
        plugins.load("valves")
