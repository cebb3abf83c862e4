"""A local S3 server (moto's) for tests, in a process of its own: the engine does not let go of ours while it waits."""

from __future__ import annotations

import atexit
import socket
import subprocess
import sys
import time
import urllib.request
from functools import cache

HOST = "127.0.0.1"
ENVIRONMENT = {"AWS_ACCESS_KEY_ID": "tester", "AWS_SECRET_ACCESS_KEY": "not-a-secret"}


@cache
def endpoint() -> str:
    """The server's URL; started once for this process, with a bucket ``lake``."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "moto.server", "-H", HOST, "-p", str(port)]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    atexit.register(server.wait)
    atexit.register(server.kill)
    url = f"http://{HOST}:{port}"
    deadline = time.monotonic() + 60
    while True:
        try:
            urllib.request.urlopen(urllib.request.Request(f"{url}/lake", method="PUT"), timeout=5).close()
        except OSError:
            if time.monotonic() > deadline or server.poll() is not None:
                raise
            time.sleep(0.05)
        else:
            return url


def url(folder: str) -> str:
    """A store's URL of a folder in the bucket; ENVIRONMENT must be set."""
    return f"s3://lake/{folder}?endpoint={endpoint()}&region=us-east-1"
