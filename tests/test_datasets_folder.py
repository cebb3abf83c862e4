"""Where tests look for the open recordings."""

from __future__ import annotations

import pytest

from tests.support import datasets


def test_the_variable_names_the_folder(monkeypatch, tmp_path):
    """SKIDHAND_DATASETS goes before the folder beside the clone."""
    monkeypatch.setenv("SKIDHAND_DATASETS", str(tmp_path))
    assert datasets.folder() == tmp_path


def test_a_wrong_variable_is_an_error(monkeypatch, tmp_path):
    """A misspelt folder must not turn into quietly skipped tests."""
    monkeypatch.setenv("SKIDHAND_DATASETS", str(tmp_path / "misspelt"))
    with pytest.raises(NotADirectoryError, match="misspelt"):
        datasets.folder()


def test_the_folder_beside_the_clone_is_next(monkeypatch, tmp_path):
    """Without the variable it is ../shared/datasets, and None where that is not there."""
    monkeypatch.delenv("SKIDHAND_DATASETS", raising=False)
    monkeypatch.setattr(datasets, "BESIDE_THE_CLONE", tmp_path / "shared" / "datasets")
    assert datasets.folder() is None
    datasets.BESIDE_THE_CLONE.mkdir(parents=True)
    assert datasets.folder() == tmp_path / "shared" / "datasets"
