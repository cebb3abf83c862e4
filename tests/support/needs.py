"""What to do where a program that a test needs is missing."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def missing(program: str, package: str) -> NoReturn:
    """Skip and say what to install; fail in CI, which installs it: a green run must have tried it."""
    reason = f"{program} is not installed (Debian: apt-get install {package})"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)
