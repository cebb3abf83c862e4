"""A fleet file that uses most of what there is, and small changes to it."""

from __future__ import annotations

SAMPLE = """\
version: 1
fleet: Heron Draw reuse
owner: Heron Draw Water
sites:
  - id: heron-1
    name: Heron 1 pad
    timezone: America/Denver
    instruments:
      LT-900: {unit: "[ft_i]", range: [0, 20]}
    units:
      - {id: shared-oil, type: buffer_tank, holds: oil, roles: {level: LT-900}}
  - {id: heron-2, name: Heron 2 pad, timezone: UTC}
skids:
  - id: hd-1
    name: Skid 1
    placements:
      - {site: heron-1, from: 2026-01-15, to: 2026-03-08}
      - {site: heron-2, from: 2026-03-20}
    design_flow: 100
    flow_unit: "[gal_us]/min"
    instruments:
      LT-101: {unit: "m"}
      FT-201: {unit: "[gal_us]/min", range: [0, 80], period: 10}
      PT-201: {unit: "[psi]"}
      TT-150: {unit: "[degF]"}
      AT-201: {unit: "[ppm]", basis: mass}
      FT-301: {unit: "m3/h", alias: "plc.flow"}
      PDT-301: {unit: "[psi]"}
      FT-302: {unit: "m3/h", interval: 5, period: 60}
      LT-801: {unit: "cm"}
    units:
      - {id: tank, type: weir_tank, roles: {level: LT-101}, params: {area: {value: 100, unit: "[ft_i]2"}, height: 3}}
      - {id: pump, type: feed_pump, roles: {stator_temperature: TT-150}, limits: {stator_temperature_high: 176}}
      - {id: demulsifier, type: chemical, roles: {level: LT-801}}
      - id: cyclone
        type: hydrocyclone
        feeds: [filter-a, filter-b]
        roles: {inlet_flow: FT-201, inlet_pressure: PT-201, inlet_oil: AT-201}
      - {id: filter-a, type: media_filter, feeds: [out], roles: {flow: FT-301, dp: PDT-301}, limits: {dp_terminal: 12}}
      - id: filter-b
        type: media_filter
        roles: {flow: FT-302}
        limits: {dp_terminal: {value: 1, unit: bar}}
      - {id: out, type: outlet}
    water: {tds: 90000, tds_unit: "mg/L", oil_api_gravity: 38}
    spec: {oil: {limit: 15, unit: "mg/L", basis: grab}}
  - id: hd-2
    name: Skid 2
    placements: [{site: heron-2, from: 2026-02-01T06:00:00Z}]
    instruments:
      LT-101: {unit: "m"}
roster:
  people: [{id: reyes, name: M. Reyes, phone: "+12025550100"}]
  duties: [{people: [reyes], sites: [heron-1, heron-2]}]
"""


def changed(old: str, new: str) -> tuple[str, int]:
    """The sample with ``old`` (which stands in it once) replaced, and the line where the change begins."""
    assert SAMPLE.count(old) == 1, f"{old!r} stands {SAMPLE.count(old)} times in the sample"
    return SAMPLE.replace(old, new), SAMPLE[: SAMPLE.index(old)].count("\n") + 1
