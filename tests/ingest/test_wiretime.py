"""Times on the wire, against RFC 3339 (2002) section 5.8 and Python's own datetime."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.wiretime import wire_time
from skidhand.model.samples import micros


@pytest.mark.parametrize(
    ("text", "same_as"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, tzinfo=UTC)),
        # Leap seconds: accepted, and clamped to the last microsecond before the new year.
        ("1990-12-31T23:59:60Z", datetime(1990, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1990, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)),
        ("2016-12-31T23:59:60.5Z", datetime(2016, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)),
        # Section 4.3: -00:00 says that the local offset is unknown; the moment is UTC.
        ("2026-03-01T12:00:00-00:00", datetime(2026, 3, 1, 12, tzinfo=UTC)),
        ("2026-03-01t12:00:00z", datetime(2026, 3, 1, 12, tzinfo=UTC)),
        ("2026-03-01 12:00:00Z", datetime(2026, 3, 1, 12, tzinfo=UTC)),
        ("2026-03-01T12:00:00.1234567899Z", datetime(2026, 3, 1, 12, 0, 0, 123_456, tzinfo=UTC)),
    ],
)
def test_rfc_3339_vectors(text, same_as):
    """The RFC's own examples, and what its text allows, come out as the moment they mean."""
    assert wire_time(text) == micros(same_as)


@pytest.mark.parametrize(
    "value",
    [
        "2026-03-01T12:00:00",  # no offset: the moment would be a guess
        "2026-03-01", "12:00:00Z", "20260301T120000Z", "2026-W09-7T12:00:00Z", "2026-03-01T12:00Z",
        "2026-02-29T12:00:00Z", "2026-13-01T12:00:00Z", "2026-03-01T24:00:00Z", "2026-03-01T12:60:00Z",
        "2026-03-01T12:00:61Z", "2026-03-01T12:00:60Z", "2026-03-02T23:59:60Z", "2026-03-01T12:00:00+24:00",
        "2026-03-01T12:00:00.Z", "0000-01-01T00:00:00Z", "٢٠٢٦-03-01T12:00:00Z", "2026-03-01T12:00:00Z\n",
        "", "now", None, True, [], {}, float("nan"), float("inf"),
    ],
)  # fmt: skip
def test_what_is_no_time_is_refused(value):
    """Anything that is neither RFC 3339 with an offset nor a number raises ValueError."""
    with pytest.raises(ValueError, match=r".+"):
        wire_time(value)


@settings(deadline=None)
@given(
    st.datetimes(min_value=datetime(2, 1, 1), max_value=datetime(9998, 12, 31)),  # noqa: DTZ001 - given a zone below
    st.integers(-1439, 1439),
)
def test_agrees_with_python_on_every_moment_and_offset(naive, minutes):
    """What datetime.isoformat writes is read back as the same microsecond."""
    moment = naive.replace(tzinfo=timezone(timedelta(minutes=minutes)))
    text = moment.isoformat(timespec="microseconds")
    assert wire_time(text) == micros(moment)


def test_epoch_milliseconds():
    """Whole and broken milliseconds are exact to the microsecond."""
    assert wire_time(1_772_366_400_000) == 1_772_366_400_000_000
    assert wire_time(1_772_366_400_000.25) == 1_772_366_400_000_250
    assert wire_time(-1) == -1000
