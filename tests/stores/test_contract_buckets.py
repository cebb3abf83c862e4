"""Bucket statistics against an independent computation, and their stated edge cases."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from skidhand.stores.base import BUCKET_COLUMNS, WIDTHS
from tests.stores.support import BAD, START, UNCERTAIN, at, batch, good


def by_the_second(samples: pd.DataFrame, width: int, policy: str) -> pd.DataFrame:
    """The documented answer, by brute force: look at every second of the day which value stands then.

    ``samples`` are deduplicated, at whole seconds. Shares nothing with the product but the documentation.
    """
    severity = samples["quality"].to_numpy() >> 30
    samples = samples.assign(taken={"good": severity == 0, "usable": severity < 2, "all": severity >= 0}[policy])
    cell = 60 if width < 3600 else 3600
    parts = []
    for series, own in samples.groupby("series"):
        origin = own["time"].min().floor("D")
        own = own.assign(second=((own["time"] - origin) / pd.Timedelta("1s")).astype(int))
        length = (own["second"].max() // 86_400 + 1) * 86_400
        grid = own.set_index("second").reindex(range(length))
        stands = pd.Series(np.where(grid.index.isin(own["second"]), grid.index, np.nan)).ffill()
        fresh = (grid.index - stands < 600) & (grid.index // cell == stands // cell)
        known = fresh & stands.map(own.set_index("second")["taken"]).eq(True)
        value = stands.map(own.set_index("second")["value"]).where(known)
        slot = pd.Series(grid.index // width)
        held = pd.DataFrame({"integral": value.groupby(slot).sum(), "covered": value.groupby(slot).count()})
        taken = own[own["taken"]]
        groups = taken.groupby(taken["second"] // width)
        count = groups.size().rename("count")
        stats = groups["value"].agg(["min", "max", "first", "last", "sum"])
        part = pd.concat([count, stats], axis=1).join(held)
        part.insert(0, "start", origin + pd.to_timedelta(part.index * width, unit="s"))
        part.insert(0, "series", series)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def day_of_samples(seed: int) -> list[tuple]:
    """A day of two series: bursts, gaps longer than the hold, Bad and Uncertain stretches."""
    rng = np.random.default_rng(seed)
    midnight = -12 * 3600
    rows = []
    for series, step in (("a/steady", 10), ("b/rare", 700)):
        times = np.unique(np.cumsum(rng.integers(1, 2 * step, 86_400 // step)))
        times = times[(times < 86_400) & ~((times > 20_000) & (times < 27_000))]
        quality = rng.choice([0, UNCERTAIN, BAD], size=len(times), p=[0.8, 0.1, 0.1])
        for t, q in zip(times.tolist(), quality.tolist(), strict=True):
            value = round(float(rng.normal(50, 5)), 2)
            rows.append((series, midnight + t, None if q == BAD and rng.random() < 0.5 else value, q, t))
    return rows


@pytest.mark.parametrize("policy", ["good", "usable", "all"])
def test_buckets_agree_with_a_look_at_every_second(store, policy):
    """Every statistic at several widths equals the brute-force answer, before and after tidy."""
    rows = day_of_samples(11)
    for n in range(4):  # interleaved, so that values are held over batches
        store.write(batch(n, rows[n::4]))
    samples = batch(0, rows).samples.to_pandas()
    midnight = START - timedelta(hours=12)
    for width in (60, 900, 3600, 86_400):
        expected = by_the_second(samples, width, policy)
        got = store.read_buckets(["b/rare", "a/steady"], midnight, midnight + timedelta(days=1), width, policy=policy)
        assert tuple(got.column_names) == BUCKET_COLUMNS
        frame = got.to_pandas()
        frame["start"], expected["start"] = (f["start"].astype("datetime64[us, UTC]") for f in (frame, expected))
        expected.loc[expected["min"].isna(), "sum"] = np.nan
        pd.testing.assert_frame_equal(frame, expected, check_dtype=False, rtol=1e-12)
        list(store.tidy(now=midnight + timedelta(days=2)))


def one(store, *args, **options) -> dict:
    """The only bucket of the answer."""
    (bucket,) = store.read_buckets(*args, **options).to_pylist()
    return bucket


def test_a_value_stands_to_the_cells_end_at_most(store):
    """Below an hour the cell is the minute, from one hour on the hour with a hold of ten minutes."""
    store.write(batch(1, good("a/x", (30, 4.0))))
    minute = one(store, ["a/x"], at(0), at(60), 60)
    assert (minute["integral"], minute["covered"]) == (120, 30)
    assert one(store, ["a/x"], at(0), at(60), 1800)["covered"] == 30
    assert one(store, ["a/x"], at(0), at(60), 3600)["covered"] == 600
    store.write(batch(2, good("a/y", (3600 - 30, 4.0))))
    assert one(store, ["a/y"], at(0), at(3600), 3600)["covered"] == 30


def test_a_sample_that_the_policy_leaves_out_still_ends_the_hold(store):
    """The value before a Bad sample is not stretched over it."""
    store.write(batch(1, [("a/x", 0, 2.0, 0, 1), ("a/x", 20, None, BAD, 21), ("a/x", 50, 3.0, 0, 51)]))
    bucket = one(store, ["a/x"], at(0), at(60), 60, policy="good")
    assert (bucket["count"], bucket["covered"], bucket["integral"]) == (2, 30, 2 * 20 + 3 * 10)


def test_a_bucket_of_samples_without_value(store):
    """Samples without a value count where the policy takes them, and give no statistics."""
    store.write(batch(1, [("a/x", 0, None, BAD, 1)]))
    bucket = one(store, ["a/x"], at(0), at(60), 60, policy="all")
    assert (bucket["count"], bucket["min"], bucket["sum"], bucket["covered"]) == (1, None, None, 0)
    assert store.read_buckets(["a/x"], at(0), at(60), 60).num_rows == 0


@pytest.mark.parametrize(("asked", "given"), [(1, 60), (60, 60), (61, 120), (3000, 3600), (86_400, 86_400)])
def test_widths_and_edges_snap_outwards(store, asked, given):
    """The width snaps up; the start snaps down and the end up to a bucket's edge since the epoch."""
    store.write(batch(1, good("a/x", *((k, 1.0) for k in range(-90_000, 180_000, 30)))))
    got = store.read_buckets(["a/x"], at(1), at(2), asked).to_pylist()
    assert [bucket["count"] for bucket in got] == [given // 30]
    assert (got[0]["start"] - datetime(1970, 1, 1, tzinfo=got[0]["start"].tzinfo)) % timedelta(seconds=given) == (
        timedelta(0)
    )
    assert store.read_buckets(["a/x"], at(2), at(2), asked).num_rows == 0
    assert given in WIDTHS


@pytest.mark.parametrize("width", [0, -60, 86_401])
def test_a_width_out_of_range_is_refused(store, width):
    """No bucket is wider than a day or narrower than nothing."""
    with pytest.raises(ValueError, match="bucket width"):
        store.read_buckets(["a/x"], at(0), at(60), width)
