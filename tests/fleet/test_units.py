"""UCUM codes in, numbers out, against factors published by NIST (SP 811, 2008, appendix B)."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from skidhand.units import LABELS, OWN_DIMENSION, UnitError, check_unit, convert, convert_array, label, same_dimension

GALLON = 3.785411784e-3  # m³, exact
FOOT = 0.3048  # m, exact

PUBLISHED = [
    (1.0, "[psi]", "kPa", 6.894757293168),
    (1.0, "bar", "kPa", 100.0),
    (1.0, "[gal_us]/min", "m3/h", GALLON * 60),
    (1.0, "[bbl_us]", "m3", 42 * GALLON),
    (1.0, "[bbl_us]/d", "m3/h", 42 * GALLON / 24),
    (1.0, "[ft_i]", "m", FOOT),
    (12.0, "[in_i]", "[ft_i]", 1.0),
    (32.0, "[degF]", "Cel", 0.0),
    (212.0, "[degF]", "Cel", 100.0),
    (25.0, "Cel", "K", 298.15),
    (1.0, "g/mL", "kg/m3", 1000.0),
    (1500.0, "uS/cm", "mS/cm", 1.5),
    (1.0, "cP", "mPa.s", 1.0),
    (3.0, "%", "1", 0.03),
]


@pytest.mark.parametrize(("value", "source", "target", "expected"), PUBLISHED)
def test_published_factors(value, source, target, expected):
    """Each factor agrees with the published one, there and back."""
    assert convert(value, source, target) == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert convert(expected, target, source) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_a_temperature_difference_has_no_offset():
    """A rise of 10 K is one of 18 degrees Fahrenheit; a temperature of 10 °C is 50."""
    assert convert(10.0, "Cel", "[degF]", difference=True) == pytest.approx(18.0)
    assert convert(10.0, "Cel", "[degF]") == pytest.approx(50.0)
    assert convert(9.0, "[degF]", "Cel", difference=True) == pytest.approx(5.0)


@given(st.floats(-1e6, 1e6), st.sampled_from([(s, t) for _, s, t, _ in PUBLISHED]))
def test_there_and_back(value, pair):
    """Whatever the value, converting there and back gives it again."""
    source, target = pair
    assert convert(convert(value, source, target), target, source) == pytest.approx(value, rel=1e-9, abs=1e-6)


def test_arrays_as_single_values():
    """An array converts as its elements do, gaps stay gaps, and equal units cost no copy."""
    values = np.array([32.0, np.nan, 212.0])
    np.testing.assert_allclose(convert_array(values, "[degF]", "Cel"), [0.0, np.nan, 100.0], atol=1e-9)
    rises = np.array([18.0])
    np.testing.assert_allclose(convert_array(rises, "[degF]", "Cel", difference=True), [10.0], atol=1e-9)
    assert convert_array(values, "[degF]", "[degF]") is values


@pytest.mark.parametrize("code", ["gpm", "psi", "", "m³/h", "furlong", "kPa kPa", "1; drop", "[psi"])
def test_codes_that_are_none(code):
    """What is no UCUM code is refused with examples of what is."""
    with pytest.raises(UnitError, match="UCUM") as caught:
        check_unit(code)
    assert repr(code) in str(caught.value)


@pytest.mark.parametrize("code", sorted({*OWN_DIMENSION, *LABELS}))
def test_codes_that_are_ours(code):
    """What the parser cannot read but the trade needs (pH, NTU), and all that has a short name, is accepted."""
    check_unit(code)


@pytest.mark.parametrize(("one", "other"), [("[psi]", "m"), ("[pH]", "1"), ("{NTU}", "mg/L"), ("{NTU}", "[pH]")])
def test_what_does_not_fit(one, other):
    """Two dimensions never convert; pH and turbidity convert into nothing but themselves."""
    assert not same_dimension(one, other)
    with pytest.raises(UnitError, match="measure different things"):
        convert(1.0, one, other)
    assert convert(7.0, one, one) == 7.0


# The basic character set of GSM 03.38 that plain text messages keep to.
GSM = set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 %/.,:;()'\"*+-<=>?!#&@$_")


def test_labels_fit_a_text_message():
    """Short names hold no letter that would turn a text message into the 70-letter kind."""
    assert {text: sorted(set(text) - GSM) for text in LABELS.values() if set(text) - GSM} == {}
    assert label("[gal_us]/min") == "gpm"
    assert label("kPa") == "kPa"


AT_ONCE = """
import threading
from skidhand.units import convert
codes = ["[psi]", "kPa", "[gal_us]/min", "m3/h", "Cel", "[degF]", "[ft_i]", "m"]
together, wrong = threading.Barrier(8), []
def one(code):
    together.wait()
    try:
        convert(1.0, code, code)
        assert abs(convert(10.0, "[psi]", "kPa") - 68.9476) < 0.001
    except Exception as error:
        wrong.append(repr(error))
threads = [threading.Thread(target=one, args=(code,)) for code in codes]
[t.start() for t in threads]
[t.join() for t in threads]
assert not wrong, wrong
"""


def test_threads_that_come_first_together_share_one_table():
    """A server's first requests convert at the same moment, and all of them can."""
    done = subprocess.run([sys.executable, "-c", AT_ONCE], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
