"""Meters that agree, and the one that does not."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.volumes_disagree import PLUGIN
from analytics.volumes import balances_of, suspect
from tests.analytics.detectors import build

HOURS = 48
UNITS = """
      - {id: skid, type: skid, roles: {}}
      - {id: cyclone, type: hydrocyclone, roles: {inlet_flow: FT-201, reject_flow: FT-203}}
      - {id: filter, type: media_filter, roles: {flow: FT-301}}
      - {id: strainer, type: strainer, roles: {flow: FT-100}}
"""
VIEW = build.skid(UNITS)


def said(wrong, factor):
    """Drafts where one meter reads ``factor`` times too much from hour 28 on, among some that wander together."""
    rng, n = np.random.default_rng(5), HOURS * 60
    flow = 20.0 + np.cumsum(rng.standard_normal(n)) * 0.01
    reject = 0.4 + 0.002 * rng.standard_normal(n)
    true = {"FT-201": flow, "FT-203": reject, "FT-301": flow - reject, "FT-100": flow - reject}
    off = np.where(np.arange(n) >= 28 * 60, factor, 1.0)
    read = {
        tag: (1.01 + 0.005 * rng.standard_normal(n)) * x * (off if tag == wrong else 1.0) for tag, x in true.items()
    }
    values = {(u.id, role): read[tag] for u in VIEW.units for role, tag in u.tags.items()}
    return build.run(PLUGIN, VIEW, "skid", build.block(VIEW, values), (700, 1681, 1700))[1]


def test_balances_follow_from_the_fleet_file():
    """A cyclone before a filter before a meter: what enters less what leaves of both junctions, signs as they flow."""
    found = balances_of(VIEW)
    rows = [{s.tag: int(c) for s, c in zip(found.streams, row, strict=True) if c} for row in found.matrix]
    assert rows == [{"FT-201": 1, "FT-203": -1, "FT-301": -1}, {"FT-301": 1, "FT-100": -1}]


def test_a_meter_between_two_others_is_named():
    """12 % too much: the skid's volumes disagree and FT-301 is the one, fouled for it reads high."""
    drafts = said("FT-301", 1.12)
    assert [(d.kind, d.unit, d.cause) for d in drafts] == [
        ("volumes-disagree", "skid", None),
        ("sensor-drift", "FT-301", "fouled"),
    ]
    assert (drafts[0].minute - build.MINUTE0) / 60 < 28 + 10


@pytest.mark.parametrize("factor", [1.12, 0.88])
def test_the_last_meter_of_a_line_is_not_blamed_for_sure(factor):
    """Only one balance has it: the volumes disagree, and no meter is told to be cleaned."""
    assert [d.kind for d in said("FT-100", factor)] == ["volumes-disagree"]


@pytest.mark.parametrize("factor", [1.0, 1.02])
def test_meters_within_their_errors_say_nothing(factor):
    """All read 1 % high, one 2 % more: that is what meters do."""
    assert said("FT-301", factor) == []


def test_a_small_stream_is_no_suspect_for_a_large_error():
    """The reject of 2 % cannot be wrong by a tenth of the whole; of the two meters left none is the likelier."""
    found = balances_of(build.skid(UNITS[: UNITS.index("      - {id: strainer")]))
    assert [s.tag for s in found.streams] == ["FT-201", "FT-203", "FT-301"]
    assert suspect(found, np.array([2.0]), np.array([22.0, 0.4, 19.6])) is None
