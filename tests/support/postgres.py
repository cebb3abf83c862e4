"""A PostgreSQL server of the tests' own, started at first use and ended with the process."""

from __future__ import annotations

import atexit
import os
import pwd
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

from tests.support.needs import missing

VARIABLE = "SKIDHAND_TEST_POSTGRES"
"""URL of a server to use instead, on which databases may be made: ``postgresql+psycopg://postgres@localhost/postgres``."""

DEBIAN = Path("/usr/lib/postgresql")
QUICK = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "listen_addresses=", "max_connections=200")
"""Nobody's data, and a socket in the server's own folder instead of a port that somebody else may have."""


@cache
def server() -> str:
    """The URL of a running server; the test is skipped, and fails in CI, where the program is missing."""
    given = os.environ.get(VARIABLE)
    return given or _start()


def _start() -> str:
    programs = max(DEBIAN.glob("*/bin"), default=None, key=lambda folder: int(folder.parent.name))
    if programs is None:
        missing("PostgreSQL's initdb", "postgresql")
    folder = Path(tempfile.mkdtemp(prefix="skidhand-pg-"))
    who = None
    if os.geteuid() == 0:  # the server refuses to run as root
        who = "postgres"
        owner = pwd.getpwnam(who)
        os.chown(folder, owner.pw_uid, owner.pw_gid)
    data = folder / "data"
    _run(
        [programs / "initdb", "-D", data, "-U", "postgres", "-E", "UTF8", "--locale=C", "-A", "trust", "--no-sync"], who
    )
    options = " ".join(f"-c {option}" for option in QUICK) + f" -k {folder}"
    _run([programs / "pg_ctl", "-D", data, "-w", "-l", folder / "log", "-o", options, "start"], who)
    atexit.register(_stop, programs, data, folder, who)
    return f"postgresql+psycopg://postgres@/postgres?host={folder}"


def _stop(programs: Path, data: Path, folder: Path, who: str | None) -> None:
    _run([programs / "pg_ctl", "-D", data, "-m", "immediate", "stop"], who)
    shutil.rmtree(folder, ignore_errors=True)


def _run(command: list[object], who: str | None) -> None:
    done = subprocess.run(
        [str(part) for part in command],
        user=who,
        group=who,
        extra_groups=[] if who else None,
        cwd="/",
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"{command[0]} failed: {done.stderr[-2000:]}")
