"""The notebook of docs runs on an exported file."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from analytics.export import Request, export
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.analytics.plant import T0, fleet, samples, steady

NOTEBOOK = Path(__file__).parents[2] / "docs" / "analyst.ipynb"


@pytest.mark.filterwarnings("ignore")  # the kernel's own libraries warn of themselves
def test_the_notebook_runs(tmp_path, monkeypatch):
    """Every cell runs on a small export, and the hours it ends with are there."""
    store = MemoryStore()
    store.write(Batch("w", 1, "x", samples(steady(3, step=60.0))))
    out = tmp_path / "skid.parquet"
    request = Request("sk-1", T0, T0 + timedelta(hours=3), stage="cleaned")
    export(store, fleet(), request, format="parquet", out=out)
    monkeypatch.setenv("SKIDHAND_EXPORT", str(out))
    book = nbformat.read(NOTEBOOK, as_version=4)
    NotebookClient(book, timeout=60, kernel_name="python3").execute()
    shown = book.cells[-1].outputs[-1]["data"]["text/plain"]
    assert all(f"2026-03-01 0{hour}:00:00+00:00" in shown for hour in range(3))
