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
      LT-5: {unit: m, range: [0, 3]}
      LT-6: {unit: m, range: [0, 1]}
      TT-5: {unit: Cel, range: [0, 90]}
      HV-5: {unit: "1", states: {0: closed, 1: open}, reporting: on_change}
      FT-5: {unit: m3/h, range: [0, 5]}
      ST-6: {unit: /min, range: [0, 400]}
      PT-6: {unit: kPa, range: [0, 1000]}
      IT-6: {unit: A, range: [0, 40]}
      AT-7: {unit: mg/L, range: [0, 500]}
      AT-8: {unit: mg/L, range: [0, 200]}
      FT-9: {unit: L/h, range: [0, 20]}
      ZT-9: {unit: "%", range: [0, 100]}
      LT-9: {unit: m, range: [0, 2]}
      PT-10: {unit: kPa, range: [0, 800]}
      FT-11: {unit: m3/h, range: [0, 20]}
      PT-11: {unit: kPa, range: [0, 8000]}
      FT-12: {unit: m3/h, range: [0, 20]}
      TT-11: {unit: Cel, range: [0, 60]}
      CT-11: {unit: mS/cm, range: [0, 100]}
      CT-12: {unit: mS/cm, range: [0, 10]}
      LT-13: {unit: m, range: [0, 3]}
      FT-13: {unit: m3/h, range: [0, 60]}
      FT-14: {unit: m3/h, range: [0, 60]}
      TT-13: {unit: Cel, range: [0, 90]}
      PT-15: {unit: kPa, range: [0, 1600]}
      FT-15: {unit: m3/h, range: [0, 5]}
      FQT-2: {unit: m3, total: true}
      FT-17: {unit: m3/h, range: [0, 20]}
      FT-18: {unit: m3/h, range: [0, 20]}
      FT-19: {unit: m3/h, range: [0, 20]}
      XS-15: {unit: "1", states: {0: open, 1: pressing}, reporting: on_change}
    units:
      - id: skid
        type: skid
        roles: {running: XS-1, mode: HS-1, ambient_temperature: TT-1, heat_trace: XS-2, supply_voltage: ET-1}
      - id: feed-tank
        type: weir_tank
        roles:
          level: LT-1
          interface_level: LT-5
          sludge_level: LT-6
          temperature: TT-5
          skim_valve: HV-5
          skim_flow: FT-5
        params: {area: 6, outlet_height: 0.3, height: 2.4}
      - id: pump
        type: feed_pump
        roles: {speed: ST-6, flow: FT-2, discharge_pressure: PT-6, motor_current: IT-6}
        params: {displacement: 1.75}
      - {id: cyclone, type: hydrocyclone, roles: {inlet_oil: AT-7, outlet_oil: AT-8}}
      - {id: caustic, type: chemical, roles: {dose_flow: FT-9, dose_command: ZT-9, level: LT-9}}
      - id: membrane
        type: reverse_osmosis
        feeds: []
        roles:
          feed_flow: FT-11
          feed_pressure: PT-11
          permeate_flow: FT-12
          temperature: TT-11
          feed_conductivity: CT-11
          permeate_conductivity: CT-12
      - {id: cell, type: flotation, roles: {recycle_pressure: PT-10}}
      - id: filter
        type: media_filter
        roles: {flow: FT-2, dp: PDT-3, backwash: XS-3, outlet_oil: AT-3}
        limits: {dp_terminal: 80}
      - {id: outlet, type: outlet, roles: {flow: FT-2, oil: AT-3, total: FQT-2}}
      - {id: clear-tank, type: buffer_tank, holds: treated-water, roles: {level: LT-4}, params: {area: 20, height: 2.8}}
      - id: store
        type: buffer_tank
        holds: treated-water
        feeds: []
        roles: {level: LT-13, inlet_flow: FT-13, outlet_flow: FT-14, temperature: TT-13}
        params: {area: 20, height: 2.8}
      - {id: line-1, type: strainer, feeds: [line-2], roles: {flow: FT-17}}
      - {id: line-2, type: strainer, feeds: [line-3], roles: {flow: FT-18}}
      - {id: line-3, type: strainer, feeds: [], roles: {flow: FT-19}}
      - {id: press, type: filter_press, feeds: [], roles: {feed_pressure: PT-15, feed_flow: FT-15, cycle: XS-15}}
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
    drop = noisy(20.0 + 50.0 * np.minimum(served / 465.0, 1.3), 0.3)
    drop *= np.where(during(54, 57), 0.3, np.where(during(57, 60), 0.17, 1.0))
    drop = np.where(washing | stopped, np.where(during(45, 46), 45.0, 0.0), drop)
    # A worn pump is turned faster for the same flow.
    speed = noisy(200.0 * (1.0 + 0.12 * during(44.5, 60)), 0.5)
    dry, shut = during(42.6, 42.8), during(43, 43.2)
    flow = np.where(dry | shut, 0.0, flow)
    pad = np.where(during(47, 52), 0.4, np.where(during(54, 58), 0.28, 0.2))
    chemical = 0.9 - 0.3 * t / 1440.0 if faults else 1.5 - 0.06 * t / 1440.0
    rests = stopped | washing
    treated = noisy(
        np.where(during(33, 36), 22.0, np.where(during(47, 52), 8.0, np.where(during(54, 60), 12.0, 6.0))), 0.3
    )
    values = {
        ("feed-tank", "interface_level"): noisy(1.4 - pad, 0.004),
        ("feed-tank", "temperature"): noisy(30.0, 0.1),
        ("feed-tank", "skim_valve"): np.ones(n),
        ("feed-tank", "skim_flow"): np.abs(noisy(np.where(during(47, 52), 0.0, 0.3), 0.001)),
        ("pump", "speed"): np.where(rests, 0.0, speed),
        ("pump", "flow"): flow,
        ("pump", "discharge_pressure"): np.where(rests, 0.0, noisy(np.where(shut, 700.0, 400.0), 1.0)),
        ("pump", "motor_current"): np.where(rests, 0.0, noisy(np.where(dry, 8.0, 15.0), 0.1)),
        ("cyclone", "inlet_oil"): noisy(100.0, 1.0),
        ("cyclone", "outlet_oil"): noisy(np.where(during(47, 52), 26.0, 12.0), 0.2),
        ("caustic", "dose_flow"): noisy(np.where(during(47, 49), 0.2, np.where(during(51, 54), 8.0, 4.0)), 0.05),
        ("caustic", "dose_command"): noisy(40.0, 0.2),
        ("caustic", "level"): noisy(chemical, 0.0005),
        ("cell", "recycle_pressure"): noisy(np.where(during(47, 49), 150.0, 400.0), 2.0),
        ("membrane", "feed_flow"): noisy(10.0, 0.05),
        ("membrane", "feed_pressure"): noisy(4000.0, 5.0),
        ("membrane", "permeate_flow"): noisy(np.where(during(38, 42), 1.0, np.where(during(46, 60), 4.0, 5.0)), 0.02),
        ("membrane", "temperature"): noisy(25.0, 0.05),
        ("membrane", "feed_conductivity"): noisy(np.where(during(38, 42), 55.0, 15.0), 0.05),
        ("membrane", "permeate_conductivity"): noisy(np.where(during(48, 54), 0.6, 0.3), 0.002),
        ("skid", "running"): np.ones(n),
        ("skid", "mode"): np.ones(n),
        ("skid", "ambient_temperature"): noisy(np.where(during(30, 33), -6.0, 12.0), 0.2),
        ("skid", "heat_trace"): np.where(during(31, 33), 0.0, 1.0),
        ("skid", "supply_voltage"): noisy(np.where(during(44, 46), 20.0, 480.0), 1.0),
        ("feed-tank", "level"): noisy(1.4, 0.004),
        ("filter", "flow"): flow,
        ("filter", "dp"): drop,
        ("filter", "outlet_oil"): treated,
        ("filter", "backwash"): washing.astype(float),
        ("outlet", "flow"): flow,
        ("outlet", "oil"): treated,
        ("clear-tank", "level"): noisy(
            1.2 + (0.5 * np.clip(t / 60.0 - 48.0, 0.0, 3.0) - np.clip(t / 60.0 - 53.0, 0.0, 4.0) * 0.55) * faults, 0.004
        ),
    }
    values |= {
        ("store", "level"): noisy(1.5, 0.001),
        ("store", "inlet_flow"): noisy(np.where(during(30, 40), 17.0, 15.0), 0.05),
        ("store", "outlet_flow"): noisy(15.0, 0.05),
        ("store", "temperature"): noisy(np.where(during(25, 31), 95.0, 35.0), 0.01),
    }
    line = noisy(10.0, 0.1)
    values |= {
        ("outlet", "total"): np.cumsum(flow * np.where(during(33, 44), 0.8, 1.0)) / 60.0,
        ("line-1", "flow"): line + noisy(0.0, 0.02),
        ("line-2", "flow"): line * np.where(during(30, 58), 1.12, 1.0) + noisy(0.0, 0.02),
        ("line-3", "flow"): line + noisy(0.0, 0.02),
    }
    cloth, cake = np.where(during(20, 35), 8.0, 1.0), np.where(during(40, 54), 2.0, 10.0)
    pressure, fed, pressing = _presses(noisy(cloth, 0.01), noisy(cake, 0.01))
    values |= {("press", "feed_pressure"): pressure, ("press", "feed_flow"): fed, ("press", "cycle"): pressing}
    lies = np.where(during(0, 44), 0.12 + 0.01 * t / 60.0, np.where(during(44, 60), 0.15, 0.12))
    values["feed-tank", "sludge_level"] = noisy(lies, 0.002)
    settling = washing | stopped
    for k in range(1, 13):
        settling[k:] |= (washing | stopped)[:-k]
    out_of_range = np.where(during(50, 52), int(Flag.RANGE), 0)
    return build.block(
        view(),
        values,
        flags={("skid", "ambient_temperature"): out_of_range},
        stds={
            ("feed-tank", "interface_level"): np.where(during(54, 58), 0.05, 0.01),
            ("feed-tank", "level"): 0.01,
            ("clear-tank", "level"): np.where(during(52, 57), 0.2, 0.02),
            ("filter", "flow"): 0.1,
            ("filter", "dp"): 0.3,
            ("store", "temperature"): np.where(during(25, 31), 0.09, 0.05),
        },
        running=~stopped,
        washing={"filter": washing},
        settling=settling,
        lag=np.where(during(26, 28), -60.0, 0.0),
    )


def _presses(cloth: np.ndarray, cake: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pressure (kPa), flow (m³/h) and state of a press: two hours at 1000 kPa behind 50 kPa·h/m³ of pump, half an hour
    open; ``cloth`` in 50 kPa·h/m³, ``cake`` the same for each m³ that has passed."""
    flow, pressure, passed = np.zeros(len(cloth)), np.zeros(len(cloth)), 0.0
    pressing = np.arange(len(cloth)) % 150 < 120
    for i in range(len(cloth)):
        passed = passed if pressing[i] else 0.0
        if pressing[i]:
            held = 50.0 * (cloth[i] + cake[i] * passed)
            flow[i] = 1000.0 / (held + 50.0)
            pressure[i] = flow[i] * held
            passed += flow[i] / 60.0
    return pressure, flow, pressing.astype(float)
