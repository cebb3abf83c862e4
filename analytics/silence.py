"""No data: judged on ticks from receive times, not from what the instruments say.

A skid is heard in the minute in which a sample is received (or, where its clock runs ahead, in the
sample's own minute: what is stamped later than now is not known yet). A longer silence than allowed
opens ``no-data``; the next word closes it. What was back-filled for the time of the silence tells that
the skid lived and its link did not.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.detectors.base import Draft
from analytics.frame import I64
from analytics.grid import Rows
from skidhand.model.finding import Evidence, Number

NAME: Final = "silence"
VERSION: Final = 1
SILENT_MINUTES: Final = 10
UNIT: Final = "skid"
FIRST_STEP: Final = "Suggest checking the gateway's power and signal per site procedure."


class Silence(BaseModel):
    """What is known of when a skid was heard. Minutes since the Unix epoch."""

    model_config = ConfigDict(extra="forbid")

    heard: int | None = None
    source: int | None = None  # latest minute for which there are samples
    pending: list[int] = []  # minutes still to come in which samples read already were received


def step_silence(rows: Rows, start: int, stop: int, state: Silence, allowed: int) -> tuple[Silence, list[Draft]]:
    """What to say about minutes [start, stop), from the rows whose source minute lies in them."""
    words = np.union1d(np.maximum(rows.heard, rows.minute), np.array(state.pending, dtype=np.int64))
    now, later = words[words < stop], words[words >= stop]
    sources = np.unique(rows.minute)
    drafts: list[Draft] = []
    heard = state.heard
    chain = now if heard is None else np.append(heard, now)
    for i in np.flatnonzero(np.diff(chain) > allowed):
        last, again = int(chain[i]), int(chain[i + 1])
        backfilled = _any_between(sources, state.source, last, again)
        if last + allowed >= start:
            drafts.append(_draft(last, last + allowed, None, backfilled=False))
        drafts.append(_draft(last, again, again, backfilled=backfilled))
    if len(chain):
        heard = int(chain[-1])
        if start <= heard + allowed < stop:
            drafts.append(_draft(heard, heard + allowed, None, backfilled=False))
    source = int(sources[-1]) if len(sources) else state.source
    return Silence(heard=heard, source=source, pending=later.tolist()), drafts


def _any_between(sources: I64, earlier: int | None, last: int, again: int) -> bool:
    """True when there are samples for some minute after ``last`` and before ``again``."""
    if earlier is not None and last < earlier < again:
        return True
    return bool(((sources > last) & (sources < again)).any())


def _draft(last: int, minute: int, ended: int | None, *, backfilled: bool) -> Draft:
    silent = float((minute if ended is None else ended) - last)
    return Draft(
        minute=minute,
        kind="no-data",
        run_key=str(last),
        onset=last + 1,
        severity="medium",
        confidence=1.0,
        unit=UNIT,
        cause="carrier" if backfilled else "unknown",
        ended=ended,
        evidence=Evidence(numbers=(Number(name="silent", value=silent, unit="min"),)),
        first_step=FIRST_STEP,
    )
