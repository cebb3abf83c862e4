"""The view that rooms calculate with: units of each type, defaults filled in, neighbours resolved."""

from __future__ import annotations

import pytest

from skidhand.fleet import parse_fleet, skid_view
from tests.fleet.sample import SAMPLE, changed


def view(text: str = SAMPLE):
    """The view of the sample's first skid."""
    return skid_view(parse_fleet(text).fleet.skid("hd-1"))


def test_design_flow_and_water_in_our_units():
    """Flow in m³/h and salt in g/L: 100 US gal/min is 22.712470704 m³/h (a US gallon is 3.785411784 L, NIST SP 811)."""
    skid = view()
    assert skid.design_flow == pytest.approx(22.712470704, rel=1e-9)
    assert skid.tds == pytest.approx(90.0)
    assert skid.oil_api == 38


def test_a_bare_limit_is_in_the_instruments_unit():
    """12 on a gauge in psi is 82.7 kPa (1 psi is 6.894757293168 kPa, NIST SP 811)."""
    assert view().by_id["filter-a"].limits["dp_terminal"] == pytest.approx(12 * 6.894757293168, rel=1e-9)


def test_a_temperature_limit_has_its_offset():
    """176 on a thermometer in degrees Fahrenheit is 80 °C: an absolute temperature, not a difference."""
    assert view().by_id["pump"].limits["stator_temperature_high"] == pytest.approx(80.0)


def test_a_limit_may_bring_its_unit():
    """1 bar is 100 kPa, and the filter has no gauge for it."""
    assert view().by_id["filter-b"].limits["dp_terminal"] == pytest.approx(100.0)


def test_a_bare_limit_without_instrument_is_in_the_types_unit():
    """Without a gauge there is only the type's own unit to go by."""
    text, _ = changed("{dp_terminal: {value: 1, unit: bar}}".replace("{", "", 1)[:-1], "dp_terminal: 70")
    assert view(text).by_id["filter-b"].limits["dp_terminal"] == 70.0


def test_defaults_stand_where_the_file_is_silent():
    """A limit that is not given has its type's default; a parameter that is not given is absent."""
    tank = view().by_id["tank"]
    assert tank.limits["outlet_oil_high"] == tank.type.limits["outlet_oil_high"].default
    assert "outlet_height" not in tank.params


def test_parameters_in_the_types_unit():
    """100 ft² is 9.290304 m² (a foot is 0.3048 m); a bare number is in the type's unit already."""
    assert view().by_id["tank"].params == {"area": pytest.approx(9.290304, rel=1e-9), "height": 3.0}


def test_water_flows_to_the_next_unit_unless_told():
    """A chemical tank carries no water; two filters side by side both get the cyclone's and give to the outlet."""
    skid = view()
    assert {unit.id: unit.downstream for unit in skid.units} == {
        "tank": ("pump",),
        "pump": ("cyclone",),
        "demulsifier": (),
        "cyclone": ("filter-a", "filter-b"),
        "filter-a": ("out",),
        "filter-b": ("out",),
        "out": (),
    }
    assert skid.by_id["out"].upstream == ("filter-a", "filter-b")
    assert skid.by_id["tank"].upstream == ()


def test_neighbours_nearest_first():
    """All that lies before and after a unit, the nearest first."""
    skid = view()
    assert skid.before("out") == ("filter-a", "filter-b", "cyclone", "pump", "tank")
    assert skid.after("pump") == ("cyclone", "filter-a", "filter-b", "out")


def test_a_recycle_does_not_turn_for_ever():
    """Water sent back to the head of the plant makes every unit lie before every other, each once."""
    text, _ = changed("{id: out, type: outlet}", "{id: out, type: outlet, feeds: [tank]}")
    skid = view(text)
    assert sorted(skid.before("tank")) == ["cyclone", "filter-a", "filter-b", "out", "pump"]
    assert sorted(skid.after("tank")) == ["cyclone", "filter-a", "filter-b", "out", "pump"]


def test_shown_in_the_sites_unit():
    """A pressure goes back into psi; a temperature with its offset, a temperature difference without."""
    skid = view()
    assert skid.by_id["filter-a"].shown("dp", 6.894757293168) == (pytest.approx(1.0), "[psi]")
    pump = skid.by_id["pump"]
    assert pump.shown("stator_temperature", 80.0) == (pytest.approx(176.0), "[degF]")
    assert pump.shown("stator_temperature", 10.0, difference=True) == (pytest.approx(18.0), "[degF]")


def test_shown_without_a_unit_of_the_sites():
    """No instrument, or a bare ppm: the figure stays in the type's own unit and says so."""
    cyclone = view().by_id["cyclone"]
    assert cyclone.shown("outlet_oil", 15.0) == (15.0, "mg/L")
    assert cyclone.shown("inlet_oil", 200.0) == (200.0, "mg/L")


def test_roles_that_have_an_instrument():
    """``has`` is true only when every role that is asked for has one."""
    cyclone = view().by_id["cyclone"]
    assert cyclone.has("inlet_flow", "inlet_oil")
    assert not cyclone.has("inlet_flow", "reject_flow")


def test_interval_goes_before_period():
    """``interval`` is the promise; ``period`` stands in for it; neither means no promise."""
    instruments = view().instruments
    assert [instruments[tag].expected_s for tag in ("FT-302", "FT-201", "PT-201")] == [5, 10, None]


def test_units_by_type():
    """``of_type`` keeps flow order."""
    assert [unit.id for unit in view().of_type("media_filter")] == ["filter-a", "filter-b"]
