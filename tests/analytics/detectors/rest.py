"""A second skid for the contract suite, with what the first has not: quiet, or with trouble of each kind."""

from __future__ import annotations

from functools import cache

import numpy as np

from analytics.frame import Block, Flag
from skidhand.fleet import SkidView, parse_fleet, skid_view
from tests.analytics.detectors import build

HOURS = 60

FLEET = """
version: 1
fleet: Tansy Flat reuse
sites:
  - {id: tansy-4, name: Tansy 4 pad, timezone: UTC}
skids:
  - id: sk-2
    name: Skid 2
    placements: [{site: tansy-4, from: 2026-01-01}]
    design_flow: 20
    flow_unit: m3/h
    backwash_by: controller
    instruments:
      XS-1: {unit: "1", states: {0: stopped, 1: running}, reporting: on_change}
      HS-1: {unit: "1", states: {0: manual, 1: automatic}, reporting: on_change}
      TT-1: {unit: Cel, range: [-40, 60]}
      XS-2: {unit: "1", states: {0: "off", 1: "on"}, reporting: on_change}
      ET-1: {unit: V, range: [0, 600]}
      LT-1: {unit: m, range: [0, 3]}
      FT-2: {unit: m3/h, range: [0, 60]}
      PDT-3: {unit: kPa, range: [0, 200]}
      XS-3: {unit: "1", states: {0: service, 1: backwash}, reporting: on_change}
      AT-3: {unit: mg/L, range: [0, 200]}
      LT-4: {unit: m, range: [0, 3]}
    units:
      - id: skid
        type: skid
        roles: {running: XS-1, mode: HS-1, ambient_temperature: TT-1, heat_trace: XS-2, supply_voltage: ET-1}
      - {id: feed-tank, type: weir_tank, roles: {level: LT-1}, params: {area: 6, outlet_height: 0.3, height: 2.4}}
      - {id: filter, type: media_filter, roles: {flow: FT-2, dp: PDT-3, backwash: XS-3}, limits: {dp_terminal: 80}}
      - {id: outlet, type: outlet, roles: {flow: FT-2, oil: AT-3}}
      - {id: clear-tank, type: buffer_tank, holds: treated-water, roles: {level: LT-4}, params: {area: 20, height: 2.8}}
    water: {tds: 90, tds_unit: g/L}
    spec: {oil: {limit: 15, unit: mg/L, basis: 1h}}
"""


@cache
def view() -> SkidView:
    """The skid, checked."""
    found = parse_fleet(FLEET).fleet.skid("sk-2")
    assert found is not None
    return skid_view(found)


@cache
def plant(*, faults: bool) -> Block:
    """Sixty hours. With faults, from the 30th on: cold, noise, a filling tank, oil, odd washes, a stop."""
    rng = np.random.default_rng(11)
    n = HOURS * 60
    t = np.arange(n)

    def noisy(level: np.ndarray | float, size: float) -> np.ndarray:
        return level + size * rng.standard_normal(n)

    def during(first: float, last: float) -> np.ndarray:
        """Minutes between two hours, in the troubled plant only."""
        return (t >= first * 60) & (t < last * 60) & faults

    washing = (t % 480 >= 465) & ~during(36, 60)
    washing |= during(36, 36.25) | during(36.8, 37) | during(37.6, 37.8) | during(38.4, 38.6) | during(39, 42.5)
    stopped = during(44, 46)
    served = np.zeros(n)
    for i in range(1, n):
        served[i] = 0.0 if washing[i] else served[i - 1] + 1.0
    flow = np.where(washing | stopped, 0.0, noisy(20.0, 0.1))
    drop = np.where(washing | stopped, 0.0, noisy(20.0 + 50.0 * np.minimum(served / 465.0, 1.3), 0.3))
    values = {
        ("skid", "running"): np.ones(n),
        ("skid", "mode"): np.ones(n),
        ("skid", "ambient_temperature"): noisy(np.where(during(30, 33), -6.0, 12.0), 0.2),
        ("skid", "heat_trace"): np.where(during(31, 33), 0.0, 1.0),
        ("skid", "supply_voltage"): noisy(np.where(during(44, 46), 20.0, 480.0), 1.0),
        ("feed-tank", "level"): noisy(1.4, 0.004),
        ("filter", "flow"): flow,
        ("filter", "dp"): drop,
        ("filter", "backwash"): washing.astype(float),
        ("outlet", "flow"): flow,
        ("outlet", "oil"): noisy(np.where(during(33, 36), 22.0, 6.0), 0.3),
        ("clear-tank", "level"): noisy(
            1.2 + (0.5 * np.clip(t / 60.0 - 48.0, 0.0, 3.0) - np.clip(t / 60.0 - 53.0, 0.0, 4.0) * 0.55) * faults, 0.004
        ),
    }
    settling = washing | stopped
    for k in range(1, 13):
        settling[k:] |= (washing | stopped)[:-k]
    out_of_range = np.where(during(50, 52), int(Flag.RANGE), 0)
    return build.block(
        view(),
        values,
        flags={("skid", "ambient_temperature"): out_of_range},
        stds={
            ("clear-tank", "level"): np.where(during(52, 57), 0.2, 0.02),
            ("filter", "flow"): 0.1,
            ("filter", "dp"): 0.3,
        },
        running=~stopped,
        washing={"filter": washing},
        settling=settling,
    )
