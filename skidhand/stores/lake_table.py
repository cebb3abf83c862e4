"""The Delta table of a lake: open, create, refresh, commit. All calls into ``deltalake`` that commit stand here.

Exactly-once and mutual exclusion both rest on Delta's application transactions: of two commits that carry
the same application id and did not see each other, the second is refused.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
from deltalake import CommitProperties, DeltaTable, PostCommitHookProperties, Transaction
from deltalake.exceptions import CommitFailedError, DeltaError, TableNotFoundError
from deltalake.fs import DeltaStorageHandler
from deltalake.transaction import AddAction, RemoveAction
from pyarrow import fs

from skidhand.errors import SchemaError, StoreConflictError, StoreError
from skidhand.stores.rows import ROWS

FORMAT: Final = 2
"""Version of the table's columns and of what commits carry; a higher one is refused."""

KEPT: Final = timedelta(days=2)
"""How long versions and the changes of each commit stay readable."""

LOGGED: Final = timedelta(minutes=15)
"""How long a commit stays in the log itself. Every refresh lists the log, and with a commit every 5 s two days
would be 35,000 files; what older commits said is in bundles (``lake_history``)."""

RETRIES: Final = 1000
"""Commit attempts before StoreConflictError; the library's 15 ran out with four appenders at once."""

LOG: Final = "_delta_log"

MARK: Final = "skidhand"
"""The key in a commit's custom metadata under which ours stands, as JSON text."""

LAKE_SCHEMA: Final = pa.schema([*ROWS, pa.field("day", pa.date32(), nullable=False)])

_HOOKS: Final = PostCommitHookProperties(create_checkpoint=True, cleanup_expired_logs=False)
_CONFIGURATION: Final = {
    "delta.logRetentionDuration": f"interval {LOGGED.seconds} seconds",
    "delta.deletedFileRetentionDuration": f"interval {KEPT.days} days",
    "delta.enableExpiredLogCleanup": "false",  # only tidy may, after it has carried the ledger forward
    "skidhand.format": str(FORMAT),
}


_HARMLESS: Final = ("CREATE TABLE", "OPTIMIZE", "VACUUM START", "VACUUM END", "SET TBLPROPERTIES")
"""Operations that change no row; any other commit without our mark may have."""


@contextmanager
def engine_errors(doing: str) -> Iterator[None]:
    """Turn what the engine, Arrow and the file system raise into StoreError, chained."""
    try:
        yield
    except CommitFailedError as error:
        raise StoreConflictError(f"{doing}: another writer was first: {error}") from error
    except (DeltaError, pa.ArrowException, OSError) as error:
        raise StoreError(f"{doing}: {error}") from error


class LakeTable:
    """One Delta table at ``uri``; made at the first commit, so that a mistyped path is not created by a read.

    ``lock`` guards the table object, whose refresh changes it in place.
    """

    def __init__(
        self,
        uri: str,
        storage_options: Mapping[str, str] | None = None,
        *,
        schema: pa.Schema = LAKE_SCHEMA,
        partition: str = "day",
        keys: str = "series,time",
    ) -> None:
        self.uri = uri
        self._schema, self._partition, self._keys = schema, partition, keys
        self.lock = threading.RLock()
        self._options = dict(storage_options or {})
        self._delta: DeltaTable | None = None
        self._looked = 0.0
        self._local = None if "://" in uri else Path(uri)

    def current(self) -> DeltaTable | None:
        """The table at its newest version, or None when nothing was ever committed."""
        with self.lock, engine_errors(f"cannot open lake {self.uri}"):
            if self._delta is None:
                self._delta = self._open(None)
            elif not self._is_newest(self._delta.version()):
                self._delta.update_incremental()
            else:
                return self._delta
            self._looked = time.monotonic()
            return self._delta

    def _is_newest(self, version: int) -> bool:
        """Whether nothing was committed since, by one look for the next commit's file; the engine lists the whole log.

        That file may also be missing because it was cleaned away, but not as long as our look is younger than LOGGED
        and the commit before it is still there.
        """
        if self._local is None or time.monotonic() - self._looked > LOGGED.total_seconds() / 2:
            return False
        log = self._local / LOG
        return not (log / f"{version + 1:020d}.json").exists() and (log / f"{version:020d}.json").exists()

    def at(self, version: int) -> DeltaTable | None:
        """The table as it was at ``version``, or None when its log is cleaned away."""
        try:
            return self._open(version)
        except (DeltaError, OSError):
            return None

    def oldest(self, version: int) -> DeltaTable:
        """The table at the oldest version from ``version`` on that its log can still open."""
        delta = self.fork()
        checkpoints = (name.partition(".")[0] for name in self.names(delta, LOG) if ".checkpoint" in name)
        for each in sorted({int(number) for number in checkpoints if number.isdecimal()}):
            if each >= version and (found := self.at(each)) is not None:
                return found
        return delta

    def _open(self, version: int | None) -> DeltaTable | None:
        try:
            delta = DeltaTable(self.uri, version=version, storage_options=self._options)
        except TableNotFoundError:
            if version is not None or self._local is None or not any((self._local / "_delta_log").glob("*.json")):
                return None
            # Made in this moment, or damaged: then this raises, for a damaged lake is not an empty one.
            delta = DeltaTable(self.uri, storage_options=self._options)
        found = delta.metadata().configuration.get("skidhand.format", "none")
        if found != str(FORMAT):
            raise SchemaError(f"lake {self.uri} has format {found}; this program reads format {FORMAT}")
        return delta

    def ensure(self) -> DeltaTable:
        """The table at its newest version, created when it is not there."""
        delta = self.current()
        if delta is not None:
            return delta
        with engine_errors(f"cannot create lake {self.uri}"):
            if self._local is not None:
                self._local.mkdir(parents=True, exist_ok=True)
            DeltaTable.create(
                self.uri,
                self._schema,
                mode="ignore",  # another process may be creating it too
                partition_by=self._partition,
                configuration={**_CONFIGURATION, "delta.dataSkippingStatsColumns": self._keys},
                storage_options=self._options,
                raise_if_key_not_exists=False,
                post_commithook_properties=_HOOKS,
            )
            delta = self.current()
            if delta is None:
                raise StoreError(f"lake {self.uri} was created and is not there")
            self._sync(-1, delta.version())
        return delta

    def fork(self) -> DeltaTable:
        """The newest version as an object of its own, which no other thread's refresh moves on."""
        with engine_errors(f"cannot open lake {self.uri}"):
            delta = self._open(None)
        if delta is None:
            raise StoreError(f"lake {self.uri} is not there any more")
        return delta

    def append(self, adds: Sequence[AddAction], mark: Mapping[str, Any], transaction: Transaction) -> None:
        """One commit that adds files, on top of the version that ``current`` last gave.

        Refused when a commit with the transaction's id came after that version.
        """
        with self.lock:
            self.commit(self.ensure() if self._delta is None else self._delta, adds, mark, transaction)

    def commit(
        self,
        delta: DeltaTable,
        actions: Sequence[AddAction | RemoveAction],
        mark: Mapping[str, Any],
        transaction: Transaction,
    ) -> None:
        """One commit of file actions (or none), refused if ``transaction``'s id moved on since ``delta``."""
        with engine_errors(f"cannot commit to lake {self.uri}"):
            before = delta.version()
            delta.create_write_transaction(
                list(actions),
                "append",
                delta.schema(),
                [self._partition],
                commit_properties=_commit(mark, transaction),
                post_commithook_properties=_HOOKS,
            )
            delta.update_incremental()
            self._sync(before, delta.version())

    def clean(self) -> int:
        """Delete commits and unnamed data files older than KEPT; how many data files went."""
        with engine_errors(f"cannot clean lake {self.uri}"):
            delta = self.fork()
            delta.create_checkpoint()  # on the disk before the commits it stands for go
            self._sync(delta.version() - 1, delta.version())
            delta.cleanup_metadata()
            # full: files that a killed tidy left behind are in no commit
            return len(delta.vacuum(dry_run=False, full=True, post_commithook_properties=_HOOKS))

    def actions(self, delta: DeltaTable) -> pa.Table:
        """One row for each live data file: path, size, rows, ``partition.day`` and statistics."""
        with engine_errors(f"cannot list the files of lake {self.uri}"):
            return pa.table(delta.get_add_actions(flatten=True))

    def history(self, delta: DeltaTable, after: int) -> list[tuple[int, dict[str, Any]]]:
        """(version, our mark) of every commit that the log still holds above ``after``, oldest first."""
        count = delta.version() - after
        if count <= 0:
            return []
        with engine_errors(f"cannot read the log of lake {self.uri}"):
            commits = delta.history(count)
        return sorted(((int(info["version"]), mark_of(info)) for info in commits), key=lambda pair: pair[0])

    def names(self, delta: DeltaTable | None, folder: str) -> list[str]:
        """The names of the files in a folder of the table; none where it is not there."""
        with engine_errors(f"cannot list {folder} of lake {self.uri}"):
            found = self.filesystem(delta).get_file_info(fs.FileSelector(folder, allow_not_found=True))
            return [info.base_name for info in found if info.type == fs.FileType.File]

    def get(self, delta: DeltaTable, path: str) -> bytes:
        """All bytes of one file of the table."""
        with (
            engine_errors(f"cannot read {path} of lake {self.uri}"),
            self.filesystem(delta).open_input_stream(path) as source,
        ):
            return source.read()

    def put(self, delta: DeltaTable, path: str, data: bytes) -> None:
        """Write one file whole: a reader sees all of it or none."""
        with engine_errors(f"cannot write {path} of lake {self.uri}"):
            filesystem, unready = self.filesystem(delta), path if self._local is None else f"{path}.tmp"
            self.make_folder(path)
            # Buffered: the object stores' handler takes bytes, and only the buffer makes them of what Arrow gives.
            with filesystem.open_output_stream(unready, buffer_size=64 * 1024) as sink:
                sink.write(data)
            self.sync_file(unready)
            if unready != path:
                filesystem.move(unready, path)
                self.sync_file(path)

    def delete_older(self, delta: DeltaTable, folder: str, age: timedelta) -> None:
        """Delete the files of a folder that were written longer than ``age`` ago."""
        with engine_errors(f"cannot clean {folder} of lake {self.uri}"):
            filesystem = self.filesystem(delta)
            for info in filesystem.get_file_info(fs.FileSelector(folder, allow_not_found=True)):
                if info.mtime is not None and datetime.now(UTC) - info.mtime > age:
                    filesystem.delete_file(info.path)

    def filesystem(self, delta: DeltaTable | None) -> fs.FileSystem:
        """Opens the data files by the paths that the table's actions give."""
        if self._local is not None:
            return fs.SubTreeFileSystem(str(self._local), fs.LocalFileSystem())
        if delta is None:
            raise StoreError(f"lake {self.uri} cannot be opened")
        return fs.PyFileSystem(DeltaStorageHandler.from_table(delta._table, self._options))  # type: ignore[arg-type]

    def _sync(self, after: int, upto: int) -> None:
        """Force the commits after one version up to another to the disk; their data files are there already.

        The engine leaves that to the operating system, but the spool lets go of a batch once it is committed,
        and an empty commit file after a power cut would spoil the table. Object stores have done it already.
        """
        if self._local is None:
            return
        log = self._local / LOG
        paths = {log, self._local, self._local.parent} if after < 0 else {log}
        for version in range(after + 1, upto + 1):
            paths |= {log / f"{version:020d}.json", *log.glob(f"{version:020d}.checkpoint*.parquet")}
        for path in sorted(paths | set(log.glob("_last_checkpoint")), reverse=True):  # files before their folders
            _sync_path(path)

    def make_folder(self, path: str) -> None:
        """Make the folder of a data file that is about to be written; object stores have none."""
        if self._local is not None:
            (self._local / path).parent.mkdir(parents=True, exist_ok=True)

    def sync_file(self, path: str) -> None:
        """Force one data file, its name in its folder and that folder's own to the disk before a commit names it."""
        if self._local is not None:
            file = self._local / path
            for each in (file, file.parent, self._local):
                _sync_path(each)


def _sync_path(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def mark_of(info: Mapping[str, Any]) -> dict[str, Any]:
    """Our mark in one commit's information; ``{"foreign": operation}`` where another program changed rows."""
    if MARK in info:
        mark: dict[str, Any] = json.loads(info[MARK])
        return mark
    operation = info.get("operation", "unknown")
    return {} if operation in _HARMLESS else {"foreign": operation}


def _commit(mark: Mapping[str, Any], transaction: Transaction) -> CommitProperties:
    text = json.dumps(mark, separators=(",", ":"))
    return CommitProperties({MARK: text}, max_commit_retries=RETRIES, app_transactions=[transaction])
