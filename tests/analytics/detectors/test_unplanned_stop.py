"""A skid that stops by itself, and why, as far as its signals tell."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.unplanned_stop import PLUGIN
from skidhand.fleet import SkidView, parse_fleet, skid_view
from tests.analytics.detectors import build

HOURS, AT = 8, 240
FLEET = """
version: 1
fleet: Tansy Flat reuse
sites: [{id: tansy-4, name: Tansy 4 pad, timezone: UTC}]
skids:
  - id: sk-3
    name: Skid 3
    placements: [{site: tansy-4, from: 2026-01-01}]
    design_flow: 20
    flow_unit: m3/h
    instruments:
      XS-1: {unit: "1", states: {0: stopped, 1: running}, reporting: on_change}
      HS-1: {unit: "1", states: {0: manual, 1: automatic}, reporting: on_change}
      ET-1: {unit: V, range: [0, 600]}
      FT-1: {unit: m3/h, range: [0, 60]}
      LT-1: {unit: m, range: [0, 3]}
      FT-2: {unit: m3/h, range: [0, 60]}
      LT-4: {unit: m, range: [0, 3]}
    units:
      - {id: skid, type: skid, roles: {running: XS-1, mode: HS-1, supply_voltage: ET-1}}
      - {id: tank, type: weir_tank, roles: {inlet_flow: FT-1, level: LT-1}, params: {area: 6, outlet_height: 0.3, height: 2.4}}
      - {id: pump, type: feed_pump, roles: {flow: FT-2}}
      - {id: store, type: buffer_tank, holds: treated-water, roles: {level: LT-4}, params: {area: 20, height: 2.8}}
"""  # noqa: E501


def _view() -> SkidView:
    found = parse_fleet(FLEET).fleet.skid("sk-3")
    assert found is not None
    return skid_view(found)


VIEW = _view()


def said(**then):
    """Drafts where the pump's flow is gone from minute AT to AT + 200, and what ``then`` names is as it says."""
    t = np.arange(HOURS * 60)
    then.setdefault("flow", 0.0)
    usual = {"running": 1.0, "mode": 1.0, "volts": 480.0, "feed": 20.0, "level": 1.4, "flow": 20.0, "store": 1.2}
    gone = (t >= AT) & (t < AT + 200)
    at = {name: np.where(gone, then.get(name, value), value) for name, value in usual.items()}
    if "feed_before" in then:
        at["feed"] = np.where((t >= AT - 30) & (t < AT + 200), 0.0, 20.0)
    values = {
        ("skid", "running"): at["running"], ("skid", "mode"): at["mode"], ("skid", "supply_voltage"): at["volts"],
        ("tank", "inlet_flow"): at["feed"], ("tank", "level"): at["level"], ("pump", "flow"): at["flow"],
        ("store", "level"): at["store"],
    }  # fmt: skip
    return build.run(PLUGIN, VIEW, "skid", build.block(VIEW, values), (100, AT + 3))[1]


@pytest.mark.parametrize(
    ("cause", "then"),
    [
        ("power", {"volts": 20.0}),
        ("no-feed", {"level": 0.35}),
        ("no-feed", {"feed_before": True}),
        ("downstream-full", {"store": 2.75}),
        ("operator", {"mode": 0.0}),
        ("unknown", {}),
    ],
)
def test_a_stop_is_told_with_its_cause(cause, then):
    """No flow while it says that it runs: said within a quarter of an hour, dated to the minute, ended by flow."""
    opened, ended = said(**then)
    assert (opened.kind, opened.cause) == ("unplanned-stop", cause)
    assert abs(opened.onset - build.MINUTE0 - AT) <= 1
    assert opened.minute - build.MINUTE0 <= AT + 15
    assert abs(ended.ended - build.MINUTE0 - AT - 200) <= 1
