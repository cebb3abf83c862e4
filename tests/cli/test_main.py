"""Exit statuses, messages, and a start that loads little."""

from __future__ import annotations

import subprocess
import sys

import pytest

import skidhand
from skidhand import errors
from skidhand.cli import main as cli

HEAVY = ("pandas", "numpy", "pyarrow", "deltalake", "sqlalchemy", "pydantic", "scipy", "sklearn", "paho", "matplotlib")


def test_the_start_loads_little():
    """Help needs no heavy library: rooms are imported inside commands."""
    code = f"import sys, skidhand.cli.main; print([name for name in {HEAVY} if name in sys.modules])"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_the_module_is_the_script():
    """``python -m skidhand.cli``, by which the supervisor starts services, is the same program."""
    command = [sys.executable, "-m", "skidhand.cli", "--version"]
    ran = subprocess.run(command, capture_output=True, text=True, check=True)
    assert ran.stdout == f"skidhand {skidhand.__version__}\n"


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.UserError("a"), 2),
        (errors.SettingsError("a"), 2),
        (errors.FleetFileError("a"), 2),
        (errors.NotFoundError("a"), 2),
        (errors.OutsideError("a"), 3),
        (errors.BrokerError("a"), 3),
        (errors.IntegrityError("a"), 3),
        (errors.ClockMismatchError("a"), 3),
    ],
)
def test_errors_become_exit_statuses(run, monkeypatch, error, code):
    """Wrong use is 2, something outside 3; one line on stderr, nothing on stdout, no traceback."""

    def failing() -> None:
        raise error

    monkeypatch.setattr(cli, "app", failing)
    ran = run("anything")
    assert (ran.code, ran.out, ran.err) == (code, "", "skidhand: a\n")


def test_a_file_that_cannot_be_written(run, home):
    """A folder that is not there is something outside that failed: its name, status 3, no traceback."""
    where = home / "gone" / "day.parquet"
    ran = run("simulate", "calm", "--hours", "0.1", "--skids", "1", "--out", where)
    assert (ran.code, ran.out, ran.err.count("\n")) == (3, "", 1)
    assert str(where) in ran.err


def test_a_defect_is_not_hidden(monkeypatch):
    """An error that nobody raised on purpose goes through with its traceback."""

    def failing() -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(cli, "app", failing)
    with pytest.raises(ZeroDivisionError):
        cli.main()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("chek",), "'chek'"),
        (("check", "--frmat"), "--frmat"),
        (("plugins", "--format", "xml"), "'xml'"),
        (("tidy", "--every", "x"), "--every"),
        (("tidy", "--every", "0"), "--every"),
    ],
)
def test_wrong_words(run, words, told):
    """A command, option or value that is none ends with 2 and says what is wrong."""
    ran = run(*words)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err


@pytest.mark.parametrize("where", ["localhost:", ":1883", "host:port", "[::1", ""])
def test_a_broker_that_is_none(run, where):
    """An address that cannot be one is wrong use."""
    ran = run("doctor", "--broker", where)
    assert ran.code == 2
    assert "HOST:PORT" in ran.err or "broker" in ran.err


def test_broker_addresses():
    """Host alone, host and port, and IPv6 in brackets."""
    from skidhand.cli.options import split_broker

    assert split_broker("pad-4") == ("pad-4", None)
    assert split_broker("pad-4:8883") == ("pad-4", 8883)
    assert split_broker("[fd00::7]:8883") == ("fd00::7", 8883)
    assert split_broker("[fd00::7]") == ("fd00::7", None)
    assert split_broker(None) == (None, None)
