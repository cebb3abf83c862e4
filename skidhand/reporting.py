"""Writes reports to files, and keeps statements as they were sent."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Final

from analytics.report_document import csv_zip, html, pdf
from analytics.report_figures import Figures
from board.words import words_in
from skidhand.errors import UserError
from skidhand.logbook import Logbook
from skidhand.model.statement import Statement, digest_of

SUFFIXES: Final = (".html", ".pdf")


def freeze(book: Logbook, figures: Figures, *, now: datetime, who: str) -> Statement:
    """The statement of this subject and period; where figures have changed since the last, a new correction."""
    told = figures.model_dump(mode="json")
    key = f"{figures.subject} {figures.period}"
    return book.statements.freeze(Statement(key=key, issued=now, who=who, digest=digest_of(told), figures=told))


def write_report(
    figures: Figures, out: Path, *, statement: Statement | None = None, language: str = "en"
) -> list[Path]:
    """Write the report to ``out`` (.html or .pdf) and its CSV files beside it in a zip; what was written."""
    if out.suffix.lower() not in SUFFIXES:
        raise UserError(f"--out {out}: the name must end in {' or '.join(SUFFIXES)}")
    text = html(figures, words_in(language), statement)
    out.write_bytes(pdf(text) if out.suffix.lower() == ".pdf" else text.encode())
    beside = out.with_name(out.stem + "-csv.zip")
    beside.write_bytes(csv_zip(figures))
    return [out, beside]
