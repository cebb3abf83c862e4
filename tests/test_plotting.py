"""The picture of a finding's evidence: what is on it, read back from its SVG, and that equal findings draw equally."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo

import pytest

from skidhand.model.finding import Evidence, Number, Trace
from skidhand.plotting import ACCENT, PANELS, evidence_png, evidence_svg
from tests.alerts.helpers import NOON, dp_rise, finding

CHICAGO = ZoneInfo("America/Chicago")
MINUTES = tuple(int(NOON.timestamp() - 3600 + 60 * i) * 1_000_000 for i in range(60))


def trace(name="dp", unit="[psi]", values=None, **changes):
    """An hour of minutes before noon."""
    values = values or tuple(4 + i * 0.05 for i in range(60))
    return Trace(name=name, unit=unit, times=MINUTES[: len(values)], values=values, **changes)


def words(svg):
    """Every text on it."""
    return [re.sub(r"<[^>]+>", "", one).strip() for one in re.findall(r"<text[^>]*>.*?</text>", svg, re.DOTALL)]


def test_it_tells_what_an_engineer_needs():
    """Head, series with its tag and unit, limit of the same unit, onset, forecast, the site's time."""
    numbers = (Number(name="dp_limit", value=12, unit="[psi]"), Number(name="flow_limit", value=9, unit="m3/h"))
    traces = (trace(tag="PDT-301"), trace("dp_usual"), trace("feed", "[degF]"))
    said = words(evidence_svg(dp_rise(evidence=Evidence(numbers=numbers, traces=traces)), CHICAGO))
    assert "tf-skid-1 filter-a: dp-rise, medium, 90 % sure" in said
    for text in ("dp (PDT-301)", "dp usual", "feed", "dp limit", "onset", "expected, 80 %", "psi", "America/Chicago"):
        assert text in said
    assert "flow limit" not in said
    assert {"12:00", "18:00"} & set(said)


def test_a_gap_breaks_the_line():
    """Where nothing is known nothing is drawn: the accent's path begins anew behind the gap."""
    whole = evidence_svg(finding(evidence=Evidence(traces=(trace(),))), CHICAGO)
    values = tuple(None if 20 <= i < 30 else 4.0 + i * i for i in range(60))
    broken = evidence_svg(finding(evidence=Evidence(traces=(trace(values=values),))), CHICAGO)

    def begins(svg):
        paths = re.findall(r'<path d="([^"]+)"[^>]*stroke: ' + ACCENT, svg)
        return max(path.count("M ") for path in paths)

    assert (begins(whole), begins(broken)) == (1, 2)


@pytest.mark.parametrize(
    "evidence",
    [
        Evidence(),
        Evidence(traces=(Trace(name="x", unit="1", times=(), values=()),)),
        Evidence(traces=(trace(values=(1.0,)),)),
        Evidence(traces=(trace(values=(None,) * 60),)),
        Evidence(traces=tuple(trace(f"s{i}", unit) for i, unit in enumerate(("[psi]", "m", "s", "kg", "A", "V")))),
    ],
)
def test_whatever_a_finding_carries_is_drawn(evidence):
    """Nothing, one point, nothing known, more units than there is room for: always a picture, never a failure."""
    svg = evidence_svg(finding(evidence=evidence), CHICAGO)
    shown = [f"s{i}" for i in range(6) if f"s{i}" in words(svg)]
    assert len(shown) == (PANELS if len(evidence.traces) == 6 else 0)
    assert ("no series in evidence" in words(svg)) == (not any(one.times for one in evidence.traces))


def test_equal_findings_give_equal_pictures():
    """To the byte, so that an archive can be compared."""
    one = dp_rise(evidence=Evidence(traces=(trace(),)))
    assert evidence_png(one, CHICAGO) == evidence_png(one, CHICAGO)
    assert evidence_svg(one, CHICAGO) == evidence_svg(one, CHICAGO)
    assert evidence_png(one, CHICAGO).startswith(b"\x89PNG\r\n\x1a\n")
