"""Corrected values of analysers as derived series: ``<unit>.<role>_corrected``, beside the reading, never over it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from analytics.frame import F64, I64
from analytics.lab import Correction, corrected, corrections, reader
from analytics.segments import minute_of
from skidhand.fleet import FleetVersion, SkidView, skid_view
from skidhand.model.entry import Entry
from skidhand.stores.base import Store

Corrections = Mapping[str, Correction]
"""By tag, as :func:`analytics.lab.corrections` gives them."""


def corrections_of(
    store: Store, version: FleetVersion, skid: str, entries: Iterable[Entry], *, as_of: str | None = None
) -> Corrections:
    """What the laboratory results among ``entries`` say of a skid's analysers; nothing of a skid that is not there."""
    found = version.fleet.skid(skid)
    if found is None:
        return {}
    return corrections(list(entries), skid_view(found), reader(store, skid, as_of=as_of))


def corrected_names(view: SkidView, corrections: Corrections) -> dict[str, Correction]:
    """Name of the series of each correction: by the first unit in flow order that has the analyser."""
    found: dict[str, Correction] = {}
    for tag, correction in corrections.items():
        places = (f"{unit.id}.{role}" for unit in view.units for role, own in unit.tags.items() if own == tag)
        place = next(places, None)
        if place is not None:
            found[f"{place}_corrected"] = correction
    return found


def corrected_minutes(reading: F64, minutes: I64, correction: Correction) -> F64:
    """New array (n,) in the analyser's unit; NaN outside of what was compared, and before its last calibration."""
    values = corrected(reading, correction)
    if correction.since is None:
        return values
    return np.where(minutes >= minute_of(correction.since), values, np.nan)


def means(correction: Correction) -> str:
    """In words, for the data dictionary."""
    sign = "−" if correction.intercept >= 0 else "+"
    since = f" since {correction.since:%Y-%m-%d %H:%M}Z" if correction.since else ""
    return (
        f"({correction.tag} {sign} {abs(correction.intercept):.6g})/{correction.slope:.6g} from {correction.pairs} "
        f"laboratory results{since}, for readings of {correction.low:.6g} to {correction.high:.6g} "
        f"(version {correction.version})"
    )
