"""What arrived since the last look, and how far back a skid must go for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa

from analytics.segments import Versions, used
from skidhand.clock import MINUTE_US
from skidhand.model.samples import split_series
from skidhand.stores.base import Span


@dataclass(frozen=True, slots=True)
class News:
    """Minutes of a skid's earliest and latest new sample."""

    first: int
    last: int


def news_by_skid(spans: Mapping[str, Span]) -> dict[str, News]:
    """Per skid the minutes that its new samples span."""
    news: dict[str, News] = {}
    for series, span in spans.items():
        skid, _ = split_series(series)
        first, last = span.first_us // MINUTE_US, span.last_us // MINUTE_US
        old = news.get(skid, News(first, last))
        news[skid] = News(min(old.first, first), max(old.last, last))
    return news


def fleet_changed_at(versions: Versions, known: tuple[tuple[int, str], ...], watermark: int) -> int | None:
    """First minute below ``watermark`` from which another version is in effect than was used; None if none."""
    differing = set(used(versions, watermark)) ^ set(known)
    return min((minute for minute, _ in differing), default=None)


def by_skid(samples: pa.Table) -> dict[str, pa.Table]:
    """A samples table that is sorted by series, as one slice for each skid."""
    coded: Any = samples["series"].combine_chunks().dictionary_encode()
    if len(samples) == 0:
        return {}
    skids = np.array([split_series(name)[0] for name in coded.dictionary.to_pylist()])
    _, code = np.unique(skids, return_inverse=True)
    of_row = code[coded.indices.to_numpy()]
    edges = [0, *(np.flatnonzero(np.diff(of_row)) + 1).tolist(), len(of_row)]
    first = coded.indices.to_numpy()[edges[:-1]]
    return {str(skids[f]): samples.slice(a, b - a) for f, (a, b) in zip(first, pairwise(edges), strict=True)}
