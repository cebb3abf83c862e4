"""A specification that nothing could be judged by is refused, with its line and what would do."""

from __future__ import annotations

import pytest

from skidhand.errors import FleetFileError
from skidhand.fleet import parse_fleet

FLEET = """
version: 1
fleet: Tansy Flat reuse
sites: [{{id: tansy-4, name: Tansy 4 pad, timezone: UTC}}]
skids:
  - id: sk-1
    name: Skid 1
    placements: [{{site: tansy-4, from: 2026-01-01}}]
    instruments: {{AT-1: {{unit: mg/L, range: [0, 100]}}}}
    units: [{{id: out, type: outlet, roles: {{oil: AT-1}}}}]
    spec: {{{line}}}
"""


@pytest.mark.parametrize(
    "line",
    [
        "oil: {limit: 15, unit: mg/L, basis: 1h, sample_point: out}",
        "turbidity: {limit: 25, unit: '{NTU}', basis: 30d, sample_point: outlet}",
        "iron: {limit: 10, unit: mg/L, basis: grab}",
    ],
)
def test_a_line_that_can_be_judged_passes(line):
    """What the outlet measures on any basis, and what the laboratory measures on grab samples."""
    assert parse_fleet(FLEET.format(line=line)).fleet.skids[0].spec


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("oyl: {limit: 15, unit: mg/L, basis: 1h}", "nothing is called 'oyl'.*oil"),
        ("oil: {limit: 15, unit: kPa, basis: 1h}", "oil is in 'kPa'.*mg/L"),
        ("oil: {limit: 15, unit: '[ppm]', basis: 1h}", "give it in mg/L"),
        ("iron: {limit: 10, unit: mg/L, basis: 24h}", "its basis is 'grab'"),
        ("oil: {limit: 15, unit: mg/L, basis: 1h, sample_point: tap}", "no unit 'tap'.*out"),
        ("oil: {limit: 15, unit: mg/L, basis: hourly}", "must be 'grab' or a window"),
    ],
)
def test_a_line_that_cannot_is_refused_with_what_would_do(line, says):
    """Unknown name, wrong dimension, bare ppm, a mean of what is only sampled, an unknown place, an unknown basis."""
    with pytest.raises(FleetFileError, match=says):
        parse_fleet(FLEET.format(line=line))
