"""Skids and blocks made from arrays, for tests of detectors."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np

from analytics.detectors.base import Detector, Draft, State
from analytics.frame import Block, Channel, Flag
from skidhand.fleet import SkidView, parse_fleet, skid_view

MINUTE0 = 29_550_240  # 2026-03-09T00:00Z

INSTRUMENTS = """
      FT-100: {unit: "m3/h", range: [0, 100]}
      PDT-101: {unit: kPa, range: [0, 200]}
      LT-110: {unit: m, range: [0, 3]}
      LT-111: {unit: m, range: [0, 3]}
      TT-110: {unit: Cel, range: [0, 100]}
      AT-110: {unit: "mg/L", range: [0, 2000]}
      FT-201: {unit: "m3/h", range: [0, 100]}
      PT-201: {unit: kPa, range: [0, 1000]}
      PT-202: {unit: kPa, range: [0, 1000]}
      PT-203: {unit: kPa, range: [0, 1000]}
      FT-203: {unit: "m3/h", range: [0, 10]}
      AT-202: {unit: "mg/L", range: [0, 500]}
      FT-301: {unit: "m3/h", range: [0, 100]}
      PDT-301: {unit: kPa, range: [0, 200]}
      PT-301: {unit: kPa, range: [0, 1000]}
      PT-302: {unit: kPa, range: [0, 1000]}
      AT-301: {unit: "mg/L", range: [0, 200]}
      XS-301: {unit: "1", states: {0: service, 1: backwash}, reporting: on_change}
"""

TRAIN = """
      - {id: strainer, type: strainer, roles: {flow: FT-100, dp: PDT-101}}
      - id: tank
        type: weir_tank
        roles: {inlet_flow: FT-100, level: LT-110, interface_level: LT-111, temperature: TT-110, outlet_oil: AT-110}
      - id: cyclone
        type: hydrocyclone
        roles:
          inlet_flow: FT-201
          inlet_pressure: PT-201
          outlet_pressure: PT-202
          reject_pressure: PT-203
          reject_flow: FT-203
          outlet_oil: AT-202
      - id: filter
        type: media_filter
        roles: {flow: FT-301, dp: PDT-301, temperature: TT-110, outlet_oil: AT-301, backwash: XS-301}
        limits: {dp_terminal: 80, prompt_hours: {value: 4, unit: h}}
"""


def skid(units: str = TRAIN, *, flow: float | None = 20.0, tds: float = 90.0) -> SkidView:
    """A checked skid with the instruments that ``units`` names, all in canonical units."""
    used = [line for line in INSTRUMENTS.strip("\n").splitlines() if line.split(":")[0].strip() in units]
    design = "" if flow is None else f'    design_flow: {flow}\n    flow_unit: "m3/h"\n'
    text = (
        "version: 1\nfleet: Tansy Flat reuse\n"
        "sites:\n  - {id: tansy-4, name: Tansy 4 pad, timezone: UTC}\n"
        "skids:\n  - id: sk-1\n    name: Skid 1\n    placements: [{site: tansy-4, from: 2026-01-01}]\n"
        + design
        + "    instruments:\n" + "\n".join(used) + "\n    units:\n" + units.strip("\n") + "\n"
        f'    water: {{tds: {tds}, tds_unit: "g/L", oil_api_gravity: 38}}\n'
    )  # fmt: skip
    found = parse_fleet(text).fleet.skid("sk-1")
    assert found is not None
    return skid_view(found)


def channel(
    view: SkidView,
    unit: str,
    role: str,
    values: Sequence[float],
    flags: Sequence[int] | None = None,
    std: Sequence[float] | float = 0.1,
) -> Channel:
    """Minutes of one role; NaN values become gaps."""
    value = np.asarray(values, dtype=float)
    flag = np.zeros(len(value), dtype=np.uint16) if flags is None else np.asarray(flags, dtype=np.uint16)
    flag = flag | np.where(np.isnan(value), int(Flag.GAP), 0).astype(np.uint16)
    return Channel(
        tag=view.by_id[unit].tags[role],
        unit=view.by_id[unit].type.roles[role].unit,
        value=value,
        low=value,
        high=value,
        std=np.broadcast_to(np.asarray(std, dtype=float), len(value)).copy(),
        count=np.full(len(value), 6, dtype=np.int64),
        flags=flag,
    )


def block(
    view: SkidView,
    values: Mapping[tuple[str, str], Sequence[float]],
    *,
    flags: Mapping[tuple[str, str], Sequence[int]] | None = None,
    stds: Mapping[tuple[str, str], Sequence[float] | float] | None = None,
    running: Sequence[bool] | None = None,
    washing: Mapping[str, Sequence[bool]] | None = None,
    settling: Sequence[bool] | None = None,
    lag: Sequence[float] | None = None,
    start: int = MINUTE0,
) -> Block:
    """A block of minutes from arrays; running and not settling unless told otherwise."""
    n = len(next(iter(values.values())))
    flags, stds = flags or {}, stds or {}
    return Block(
        minutes=start + np.arange(n, dtype=np.int64),
        channels={key: channel(view, *key, array, flags.get(key), stds.get(key, 0.1)) for key, array in values.items()},
        running=np.ones(n, dtype=bool) if running is None else np.asarray(running),
        washing={key: np.asarray(mask) for key, mask in (washing or {}).items()},
        settling=np.zeros(n, dtype=bool) if settling is None else np.asarray(settling),
        lag=np.zeros(n) if lag is None else np.asarray(lag, dtype=float),
    )


def run(
    detector: Detector, view: SkidView, unit: str, data: Block, cuts: Sequence[int] = ()
) -> tuple[State, list[Draft]]:
    """The detector over the block cut at ``cuts``, its state going through JSON at each cut."""
    one = view.by_id[unit]
    state = detector.start(one, view)
    said: list[Draft] = []
    for part in _parts(data, cuts):
        state, drafts = detector.step(one, view, part, state)
        state = detector.state.model_validate_json(state.model_dump_json())
        said += drafts
    return state, said


def _parts(data: Block, cuts: Sequence[int]) -> Iterator[Block]:
    edges = [0, *sorted(set(cuts)), len(data)]
    for a, b in pairwise(edges):
        if b > a:
            yield data.cut(a, b)
