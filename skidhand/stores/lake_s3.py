"""Where a lake in a bucket lies, and with what it is opened: ``s3://bucket/folder?endpoint=URL&region=NAME``.

Secrets come from the environment (``AWS_ACCESS_KEY_ID`` and ``AWS_SECRET_ACCESS_KEY``, a role of the machine, …) or
from the file that ``SKIDHAND_S3_KEY_FILE`` names, never from the URL. Commits rest on conditional puts (an object is
made only where there is none), which the bucket's service must know.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final
from urllib.parse import parse_qsl, urlsplit

from skidhand.errors import SettingsError

KEY_FILE: Final = "SKIDHAND_S3_KEY_FILE"

_OPTIONS: Final = {"endpoint": "AWS_ENDPOINT_URL", "region": "AWS_REGION"}


def parse(url: str) -> tuple[str, dict[str, str]]:
    """The lake's address and its storage options; SettingsError says what is wrong with the URL or the key file."""
    parts = urlsplit(url)
    if parts.username or parts.password:
        raise SettingsError(f"store s3://{parts.hostname or ''}…: a key must not stand in the URL; use {KEY_FILE}")
    if not parts.netloc or not parts.path.strip("/"):
        raise SettingsError(f"store {url!r} names no bucket and folder; write s3://bucket/folder")
    options = {}
    for name, value in parse_qsl(parts.query, keep_blank_values=True):
        if name not in _OPTIONS or not value:
            raise SettingsError(f"store {url!r}: unknown or empty {name!r}; valid: {', '.join(_OPTIONS)}")
        options[_OPTIONS[name]] = value
    endpoint = options.get("AWS_ENDPOINT_URL") or os.environ.get("AWS_ENDPOINT_URL", "")
    if endpoint.startswith("http://"):
        options["AWS_ALLOW_HTTP"] = "true"
    return f"s3://{parts.netloc}/{parts.path.strip('/')}", options | _key()


def _key() -> dict[str, str]:
    name = os.environ.get(KEY_FILE)
    if not name:
        return {}
    try:
        lines = Path(name).read_text(encoding="utf-8").split()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{KEY_FILE}: cannot read {name}: {error}") from error
    if len(lines) != 2:
        raise SettingsError(f"{KEY_FILE}: {name} must hold two lines: the access key's id and its secret")
    return {"AWS_ACCESS_KEY_ID": lines[0], "AWS_SECRET_ACCESS_KEY": lines[1]}
