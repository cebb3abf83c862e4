"""Runs commands in this process, in a folder of their own."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import structlog

from skidhand.cli.main import main


@dataclass(frozen=True)
class Ran:
    """What a command left: exit status, data on stdout, talk on stderr."""

    code: int
    out: str
    err: str


@pytest.fixture
def home(tmp_path, monkeypatch) -> Path:
    """An empty working folder, and no variable of ours in the environment."""
    for name in list(os.environ):
        if name.startswith("SKIDHAND_"):
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def run(home, monkeypatch, capsys) -> Iterator[Callable[..., Ran]]:
    """``run("check", "fleet.yaml")`` does what the script does with these words."""
    before = logging.root.handlers[:], logging.root.level

    def command(*words: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["skidhand", *(str(word) for word in words)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        code = ended.value.code
        return Ran(0 if code is None else int(code), said.out, said.err)

    yield command
    structlog.reset_defaults()
    structlog.contextvars.clear_contextvars()
    logging.root.handlers[:], logging.root.level = before
