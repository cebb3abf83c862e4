"""The data dictionary beside an export: what each series is, in which unit, and what the quality codes mean."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any, Final

from analytics.derived import available
from analytics.export_corrected import Corrections, corrected_names, means
from analytics.export_files import FLAGS, QUALITY, harmless
from skidhand.fleet import SkidView

COLUMNS: Final = ("name", "tag", "unit", "low", "high", "role", "means", "reporting", "quality", "flags")
LEGEND: Final = "; ".join(f"{int(code, 16)} ({code}) {means}" for code, means in QUALITY.items() if code != "note")
FLAGGED: Final = "0 good, else the sum of " + "; ".join(f"{bit} {means}" for bit, means in FLAGS.items())


def dictionary(view: SkidView, names: Sequence[str], corrections: Corrections | None = None) -> list[dict[str, Any]]:
    """A row a series; ``unit`` is a UCUM code, ``low`` and ``high`` the instrument's range, ``quality`` is of raw
    samples, ``flags`` of cleaned minutes.
    """
    roles: dict[str, list[tuple[str, str]]] = {}
    for unit in view.units:
        for role, tag in unit.tags.items():
            roles.setdefault(tag, []).append((f"{unit.id}.{role}", unit.type.roles[role].means))
    rows: list[dict[str, Any]] = []
    corrected = corrected_names(view, corrections or {})
    for name in names:
        if name in view.instruments:
            one = view.instruments[name]
            low, high = one.range or (None, None)
            placed = roles.get(name, [])
            told = one.note or "; ".join(dict.fromkeys(means for _, means in placed))
            row: tuple[Any, ...] = (
                name,
                name,
                one.unit,
                low,
                high,
                "; ".join(role for role, _ in placed),
                told,
                one.reporting,
                LEGEND,
                FLAGGED,
            )
        elif name in corrected:
            own = corrected[name]
            row = (name, None, own.unit, None, None, name, means(own), f"computed from {own.tag}", "", FLAGGED)
        else:
            unit, quantity = next((u, q) for u, q in available(view) if f"{u.id}.{q.name}" == name)
            row = (name, None, quantity.unit, None, None, name, f"{quantity.means} (version {quantity.version})",
                   f"computed from {unit.id}: {', '.join(quantity.roles)}", "", FLAGGED)  # fmt: skip
        rows.append(dict(zip(COLUMNS, row, strict=True)))
    return rows


def dictionary_csv(view: SkidView, names: Sequence[str], corrections: Corrections | None = None) -> bytes:
    """The same as CSV (RFC 4180), safe against formulas."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    for row in dictionary(view, names, corrections):
        writer.writerow({key: harmless(value) if isinstance(value, str) else value for key, value in row.items()})
    return out.getvalue().encode()
