"""Every unit type hangs together, and its formulas agree with what others published."""

from __future__ import annotations

import fluids
import numpy as np
import pytest
from fluids.packed_bed import Ergun

from skidhand import plugins
from skidhand.model.kinds import INSTRUMENT, KINDS
from skidhand.unit_types import feed_pump, hydrocyclone, media_filter, strainer, weir_tank
from skidhand.units import check_unit, same_dimension

TYPES = {name: plugin.member for name, plugin in plugins.load("unit_type").items()}
HAZARDS = {"pressure", "h2s", "auto-start", "rotation", "tank", "chemical", "norm"}


@pytest.mark.parametrize("name", sorted(TYPES))
def test_a_type_hangs_together(name):
    """Units are UCUM codes, a limit's role is one of its roles in the same dimension, every word is filled in."""
    kind = TYPES[name]
    for part in (*kind.roles.values(), *kind.params.values(), *kind.limits.values()):
        check_unit(part.unit)
        assert part.means
    assert all(param.costs for param in kind.params.values())
    for limit in kind.limits.values():
        assert limit.source
        assert limit.role is None or same_dimension(limit.unit, kind.roles[limit.role].unit)
    assert kind.hazards
    assert kind.hazards <= HAZARDS


def test_every_kind_of_finding_arises_somewhere():
    """A kind of finding names unit types that there are, and every type but none is named by a kind."""
    named = {place for info in KINDS.values() for place in info.on} - {INSTRUMENT}
    assert named == set(TYPES)


def test_strainer_drop():
    """Cv is the flow of water in US gal/min at 1 psi (IEC 60534): Kv at 1 bar from it by an outside library."""
    assert strainer.clean_drop_psi(8.0, 8.0) == pytest.approx(1.0)
    assert strainer.clean_drop_psi(16.0, 8.0) == pytest.approx(4.0)
    flow_m3h = fluids.control_valve.Cv_to_Kv(8.0)  # Kv: m³/h at 1 bar
    assert strainer.clean_drop_psi(flow_m3h / 0.22712470704, 8.0) == pytest.approx(14.503774, rel=2e-3)


def test_cyclone_ratios():
    """The pressure drop ratio of 600, 500 and 430 kPa is (600 − 430)/(600 − 500); no drop, no ratio."""
    pdr = hydrocyclone.pressure_drop_ratio(
        np.array([600.0, 500.0, 500.0]), np.array([500.0] * 3), np.array([430.0] * 3)
    )
    np.testing.assert_allclose(pdr, [1.7, np.nan, np.nan])
    split = hydrocyclone.reject_ratio(np.array([3.0, 3.0]), np.array([100.0, 0.0]))
    np.testing.assert_allclose(split, [0.03, np.nan])


@pytest.mark.parametrize(("clean", "split"), [(25.0, 0.02), (400.0, 0.05), (500.0, 0.03)])
def test_cyclone_efficiencies_follow_from_a_balance(clean, split):
    """The mass efficiency is the share of oil that a balance sends to the reject; plain splitting counts for none."""
    by_concentration, by_mass, centred = hydrocyclone.efficiencies(500.0, clean, split)
    to_reject = 500.0 - clean * (1 - split)
    assert by_mass == pytest.approx(to_reject / 500.0)
    assert centred == pytest.approx(by_concentration)
    assert (centred == pytest.approx(0.0)) is (clean == 500.0)


@pytest.mark.parametrize(("flow", "viscosity", "density"), [(1.3, 1.0, 1.0), (0.6, 1.5, 1.1), (2.0, 0.8, 1.0)])
def test_clean_drop_factor_is_erguns(flow, viscosity, density):
    """A bed's drop scales with flow, viscosity and density as the Ergun equation does (library ``fluids``)."""
    bed = {"dp": 0.7e-3, "voidage": 0.42, "L": 0.9}
    v0, rho0, mu0 = 3.4e-3, 1000.0, 1.0e-3
    reference = Ergun(vs=v0, rho=rho0, mu=mu0, **bed)
    linear = Ergun(vs=v0, rho=1e-12, mu=mu0, **bed) / reference  # without inertia
    wanted = Ergun(vs=v0 * flow, rho=rho0 * density, mu=mu0 * viscosity, **bed) / reference
    got = media_filter.clean_drop_factor(
        np.array([v0 * flow]), np.array([mu0 * viscosity]), np.array([rho0 * density]),
        flow0=v0, viscosity0=mu0, density0=rho0, linear=linear,
    )  # fmt: skip
    assert got[0] == pytest.approx(wanted, rel=1e-6)


def test_tank_pump_and_run():
    """By hand: 36 m³/h over 10 m² is 1 mm/s; 1.2 m of it lasts 20 min; 1 L a turn at 300/min sweeps 18 m³/h."""
    assert weir_tank.overflow_rate(36.0, 10.0) == pytest.approx(1e-3)
    assert weir_tank.residence_s(1.5, 0.3, 10.0, 36.0) == pytest.approx(1200.0)
    assert weir_tank.oil_pad(2.4, 2.1) == pytest.approx(0.3)
    assert feed_pump.volumetric_efficiency(16.2, 1.0, 300.0) == pytest.approx(0.9)
    assert media_filter.unit_filter_run_volume(120.0, 1.5) == pytest.approx(80.0)
