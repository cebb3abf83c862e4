"""All that goes over the wire to an InfluxDB server: where it is, who we are, lines out, answers in, errors.

Lines go through ``influxdb-client`` (v2 write API, synchronous, gzip). The client has no InfluxQL, so queries
are posted to ``/query`` with urllib3, on which the client stands. Both are imported when a server is opened,
because the driver is an extra and the plug-in finder looks into every module.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs, unquote, urlsplit

import orjson

from skidhand.errors import SettingsError, StoreError, StoreRefusedError
from skidhand.stores.influx_lines import Part

TOKEN: Final = "SKIDHAND_INFLUX_TOKEN"
OPTIONS: Final = ("org", "tls", "ca")
FORM: Final = "influx://host:8086/bucket?org=name (and tls=on, ca=file)"

LINES: Final = 5_000
"""Lines in one request: some 500 kB, well below the 25 MB that servers take by default."""

STATEMENTS: Final = 100
"""Statements in one request."""

CONNECT_S: Final = 5.0
ANSWER_S: Final = 60.0

_HINTS: Final = {
    401: f"; {TOKEN} or {TOKEN}_FILE must give a token that may read and write this bucket",
    403: f"; {TOKEN} or {TOKEN}_FILE must give a token that may read and write this bucket",
    404: "; the bucket (database) must be there before the first write, with no end to its retention",
}


@dataclass(frozen=True, slots=True)
class Address:
    """Where a store's data lie; never holds a secret."""

    url: str  # http(s)://host:port
    bucket: str
    org: str
    ca: str | None

    @classmethod
    def parse(cls, url: str) -> Address:
        """From ``influx://host:8086/bucket?org=name``; SettingsError says what is wrong with it."""
        try:
            parts = urlsplit(url)
            port = parts.port or 8086
            options = parse_qs(parts.query, keep_blank_values=True, strict_parsing=bool(parts.query))
        except ValueError as error:
            raise SettingsError(f"store {_harmless(url)!r}: {error}; valid: {FORM}") from error
        if parts.username is not None or "token" in options:
            raise SettingsError(
                f"store {_harmless(url)!r}: a secret must not stand in the URL; set {TOKEN}, or {TOKEN}_FILE to a "
                f"file that holds it"
            )
        bucket = unquote(parts.path.strip("/"))
        unknown = sorted(set(options) - set(OPTIONS))
        if not parts.hostname or not bucket or unknown or options.get("tls", ["on"])[-1] not in {"on", "off"}:
            raise SettingsError(
                f"store {url!r}: {f'unknown {unknown[0]!r}' if unknown else 'incomplete'}; valid: {FORM}"
            )
        host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
        secure = options.get("tls", ["off"])[-1] == "on"
        given = {name: values[-1] for name, values in options.items()}
        return cls(f"{'https' if secure else 'http'}://{host}:{port}", bucket, given.get("org", "-"), given.get("ca"))


def _harmless(url: str) -> str:
    """The URL less all that may hold a secret."""
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.partition('?')[0].rpartition('@')[2]}"


def token(environment: Mapping[str, str] = os.environ) -> str:
    """The token of this process, empty when there is none; SettingsError when its file cannot be read."""
    given, named = environment.get(TOKEN), environment.get(f"{TOKEN}_FILE")
    if given and named:
        raise SettingsError(f"{TOKEN} and {TOKEN}_FILE are both set; give one of them")
    if not named:
        return given or ""
    try:
        return Path(named).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{TOKEN}_FILE: cannot read {named}: {error}") from error


class Server:
    """One bucket of one server. Safe between threads; an answer that was begun is read to its end."""

    def __init__(self, address: Address) -> None:
        """Opens no connection yet. SettingsError when the driver is missing."""
        try:
            import urllib3
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS
        except ImportError as error:
            raise SettingsError(
                f"the influx store needs a driver that is not installed ({error.name}): pip install 'skidhand[influx]'"
            ) from error
        self.address = address
        secret = token()
        self._client = InfluxDBClient(
            address.url,
            token=secret,
            org=address.org,
            enable_gzip=True,
            timeout=(int(CONNECT_S * 1000), int(ANSWER_S * 1000)),
            ssl_ca_cert=address.ca,
            retries=False,  # the spool tries again, with growing delays
        )
        self._lines = self._client.write_api(write_options=SYNCHRONOUS)
        self._pool = urllib3.PoolManager(
            headers={"Authorization": f"Token {secret}"} if secret else None,
            timeout=urllib3.Timeout(connect=CONNECT_S, read=ANSWER_S),
            retries=False,
            maxsize=4,
            ca_certs=address.ca,
        )

    def write(self, lines: Sequence[str]) -> None:
        """Send lines; returns when the server has them all on its disk (its own promise for an answer of 204).

        Times are sent as nanoseconds, always whole microseconds: servers differ in what they call a
        microsecond (``u``, ``us``), and 1.6 takes a name that it does not know for nanoseconds.
        """
        for start in range(0, len(lines), LINES):
            record = "\n".join(lines[start : start + LINES]).encode()
            with self._errors("write to"):
                self._lines.write(self.address.bucket, self.address.org, record, "ns")  # type: ignore[arg-type]

    def query(self, statements: Sequence[str]) -> Iterator[Part]:
        """Answers in order, each with its statement's index; times are nanoseconds. A statement may have none."""
        for start in range(0, len(statements), STATEMENTS):
            for part in self._request("; ".join(statements[start : start + STATEMENTS])):
                yield part._replace(statement=part.statement + start)

    def _request(self, text: str) -> Iterator[Part]:
        form = {"db": self.address.bucket, "epoch": "ns", "chunked": "true", "chunk_size": "20000", "q": text}
        with self._errors("query"):
            answer = self._pool.request(
                "POST",
                f"{self.address.url}/query",
                fields=form,
                encode_multipart=False,
                preload_content=False,
            )
            try:
                if answer.status != 200:
                    said = answer.data.decode("utf-8", "replace").strip()
                    raise StoreError(
                        f"{self._at('query')}: {answer.status} {said[:500]}{_HINTS.get(answer.status, '')}"
                    )
                for line in answer:  # a chunk a line
                    yield from self._parts(orjson.loads(line))
            finally:
                answer.close()  # one that was read to its end has given its connection back before

    def _parts(self, chunk: Any) -> Iterator[Part]:
        if not isinstance(chunk, dict):
            raise StoreError(f"{self._at('query')}: an answer that is none of InfluxDB's")
        for result in chunk.get("results", [chunk]):
            if "error" in result:
                hint = _HINTS[404] if "not found" in result["error"] else ""
                raise StoreError(f"{self._at('query')}: {result['error']}{hint}")
            for series in result.get("series", ()):
                yield Part(result["statement_id"], series.get("tags", {}), series["columns"], series["values"])

    def _at(self, doing: str) -> str:
        return f"cannot {doing} influx store {self.address.url}/{self.address.bucket}"

    @contextmanager
    def _errors(self, doing: str) -> Iterator[None]:
        """The one place where the driver's errors become ours, chained.

        400 and 422 say that the lines themselves are at fault, so sending them again cannot help: a field that
        another program wrote with another type, a time outside the bucket's retention, or a mistake of ours.
        """
        from influxdb_client.client.exceptions import InfluxDBError
        from urllib3.exceptions import HTTPError

        try:
            yield
        except InfluxDBError as error:
            status = error.response.status if error.response is not None else 0
            said = f"{self._at(doing)}: {status} {str(error.message).strip()}{_HINTS.get(status, '')}"
            if status in {400, 422}:
                raise StoreRefusedError(
                    f"{said}; nothing of this batch is visible and it stays in the spool. The bucket must keep data "
                    f"without end and belong to skidhand alone"
                ) from error
            raise StoreError(said) from error
        except (HTTPError, OSError, orjson.JSONDecodeError, KeyError) as error:
            raise StoreError(f"{self._at(doing)}: {error}") from error

    def close(self) -> None:
        """Let go of the connections."""
        self._client.close()  # type: ignore[no-untyped-call]
        self._pool.clear()
