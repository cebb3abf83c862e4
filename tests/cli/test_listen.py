"""``skidhand alerts --listen`` as a process of its own: it takes an answer, and ends in order."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta

import httpx

from skidhand.logbook import Logbook
from tests.alerts.helpers import VERSION, Analyser, finding

KEY = "answers-key-7"


def test_an_answer_by_http_is_judged_by_the_running_service(tmp_path):
    """From the command line: a finding is printed as a prompt, a text answers it, and the verdict goes back."""
    url = f"sqlite:///{tmp_path / 'logbook.db'}"
    now = datetime.now(UTC)
    with Logbook(url) as logbook:
        logbook.guard_clock("wall")
        logbook.fleets.apply(VERSION, effective=now - timedelta(days=1), who="test")
        Analyser(logbook).commit(finding("tank-filling", "weir-tank", onset=now, severity="high"))
    port = _free_port()
    command = [sys.executable, "-m", "skidhand.cli", "alerts", "--logbook", url, "--listen", f"127.0.0.1:{port}"]
    given = {"SKIDHAND_LISTEN_SECRET": KEY, "SKIDHAND_STORE": str(tmp_path / "lake")}
    with subprocess.Popen(
        command, cwd=tmp_path, env=os.environ | given, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        try:
            code = next(found[1] for line in process.stdout if (found := re.search(r"Answer (\d{4})", line)))
            answer = {"from": "+15550100001", "text": f"2 {code}", "id": "1", "key": KEY}
            assert _get(port, "/sms", answer) == f"{code} mine: noted."
            assert _get(port, "/sms", answer | {"key": "wrong"}) == ""
        finally:
            process.send_signal(signal.SIGTERM)
            process.stdout.read()
            assert process.wait(20) == 0
    with Logbook(url) as logbook:
        assert [prompt.taken_by for prompt in logbook.prompts.all()] == ["robin"]


def _get(port, path, params):
    """What the listener answers, once it is up."""
    end = time.monotonic() + 20
    while True:
        try:
            return httpx.get(f"http://127.0.0.1:{port}{path}", params=params, timeout=10, trust_env=False).text
        except httpx.ConnectError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)


def _free_port():
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
