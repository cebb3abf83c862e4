"""Where the open recordings lie. They are never part of the repository or the package."""

from __future__ import annotations

import os
from pathlib import Path

BESIDE_THE_CLONE = Path(__file__).resolve().parents[3] / "shared" / "datasets"


def folder() -> Path | None:
    """``$SKIDHAND_DATASETS``, else ``../shared/datasets`` beside the clone, else None.

    Raises:
        NotADirectoryError: the variable is set, but to something that is no folder.
    """
    named = os.environ.get("SKIDHAND_DATASETS")
    if named:
        if not Path(named).is_dir():
            raise NotADirectoryError(f"SKIDHAND_DATASETS={named} is no folder")
        return Path(named)
    return BESIDE_THE_CLONE if BESIDE_THE_CLONE.is_dir() else None
