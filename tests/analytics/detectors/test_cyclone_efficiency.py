"""A cyclone that lets more through: because it does, or because it is given less flow."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.cyclone_efficiency import PLUGIN
from tests.analytics.detectors import build

UNITS = """
      - id: cyclone
        type: hydrocyclone
        roles: {inlet_flow: FT-201, reject_flow: FT-203, inlet_oil: AT-110, outlet_oil: AT-202}
"""
VIEW = build.skid(UNITS)
N, AT = 24 * 60, 18 * 60


def said(share, passes):
    """Drafts where the flow falls to ``share`` and ``passes`` times as much of the oil passes from hour 18 on."""
    later, rng = np.arange(N) >= AT, np.random.default_rng(2)
    flow = np.where(later, 20.0 * share, 20.0)
    values = {"inlet_flow": flow, "reject_flow": 0.02 * flow, "inlet_oil": np.full(N, 200.0),
              "outlet_oil": np.where(later, 20.0 * passes, 20.0)}  # fmt: skip
    noisy = {("cyclone", role): one * (1 + 0.01 * rng.standard_normal(N)) for role, one in values.items()}
    return build.run(PLUGIN, VIEW, "cyclone", build.block(VIEW, noisy))[1]


@pytest.mark.parametrize(("share", "passes", "expected"), [
    (1.0, 1.7, 1), (0.75, 1.7, 0), (0.75, 3.0, 1), (0.5, 1.7, 1), (0.5, 1.3, 0),
])  # fmt: skip
def test_less_flow_is_allowed_for_until_it_is_too_little(share, passes, expected):
    """At three quarters of the flow 1.7 times as much may pass, 3 times may not; at half it is the flow that is low."""
    drafts = said(share, passes)
    assert len(drafts) == expected
    if share == 0.5 and drafts:
        assert drafts[0].cause == "low-inlet-flow"
