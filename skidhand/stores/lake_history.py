"""What commits said that the log no longer holds: marks and file lists, in bundles, for as long as versions are kept.

Every refresh lists the log, so only its last minutes stay there. Before older commits are deleted, tidy writes what
they said into ``samples/_history/<first>-<last>.json.z``. From that ``changes`` answers cursors, and the files of an
old version are found by undoing commits from the oldest version that the log can still open.
"""

from __future__ import annotations

import json
import time
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from deltalake import DeltaTable

from skidhand.errors import StoreError
from skidhand.stores.lake_table import KEPT, LakeTable, engine_errors, mark_of

FOLDER: Final = "_history"


@dataclass(frozen=True, slots=True)
class Commit:
    """One commit: when (epoch milliseconds), our mark, and the files that it added and removed, path → bytes."""

    version: int
    at_ms: int
    mark: dict[str, Any]
    adds: Mapping[str, int]
    removes: Mapping[str, int]


class History:
    """The commits of one table over all that is kept, in the log or in bundles."""

    def __init__(self, table: LakeTable) -> None:
        self._table = table

    def marks(self, delta: DeltaTable, after: int) -> list[tuple[int, dict[str, Any]]]:
        """(version, mark) of every commit above ``after`` that is still known, oldest first."""
        found = self._table.history(delta, after)
        first = found[0][0] if found else delta.version() + 1
        if first <= after + 1:
            return found
        older = [(commit.version, commit.mark) for commit in self.bundled(delta, after, first)]
        return older + found

    def files_at(self, delta: DeltaTable, version: int) -> dict[str, int]:
        """Path → bytes of the files at ``version``; StoreError when the versions around it are not kept."""
        kept_ms = (time.time() - KEPT.total_seconds()) * 1000
        gone = StoreError(
            f"version {version} of lake {self._table.uri} cannot be read (versions are kept for {KEPT.days} days)"
        )
        base = self._table.oldest(version)
        undone = {c.version: c for c in self.bundled(delta, version, base.version() + 1)}
        for each in range(version + 1, base.version() + 1):
            if each not in undone:
                try:
                    undone[each] = self._from_log(delta, each)
                except StoreError:
                    raise gone from None
        if undone and undone[version + 1].at_ms < kept_ms:
            raise gone
        sizes = self._table.actions(base).select(["path", "size_bytes"])
        files: dict[str, int] = dict(zip(*(column.to_pylist() for column in sizes.columns), strict=True))
        for each in sorted(undone, reverse=True):
            files = {path: size for path, size in files.items() if path not in undone[each].adds}
            files.update(undone[each].removes)
        return files

    def bundle(self, delta: DeltaTable, upto: int) -> None:
        """Keep what all commits up to ``upto`` said, so that the log may let go of them; drop what is too old."""
        spans = self._bundles(delta)
        self._table.delete_older(delta, FOLDER, KEPT)
        first = max([last for _, last, _ in spans], default=-1) + 1
        commits = []
        for version in range(first, upto + 1):
            try:
                commits.append(self._from_log(delta, version))
            except StoreError:
                if commits:
                    raise
        if commits:
            text = json.dumps([[c.version, c.at_ms, c.mark, c.adds, c.removes] for c in commits])
            name = f"{FOLDER}/{commits[0].version:020d}-{commits[-1].version:020d}.json.z"
            self._table.put(delta, name, zlib.compress(text.encode()))

    def bundled(self, delta: DeltaTable, after: int, before: int) -> Iterator[Commit]:
        """The bundled commits with after < version < before, oldest first."""
        for first, last, path in self._bundles(delta):
            if last > after and first < before:
                for entry in json.loads(zlib.decompress(self._table.get(delta, path))):
                    if after < entry[0] < before:
                        yield Commit(*entry)

    def _bundles(self, delta: DeltaTable) -> list[tuple[int, int, str]]:
        names = self._table.names(delta, FOLDER)
        spans = [(name.partition(".")[0].partition("-"), name) for name in names if name.endswith(".json.z")]
        return sorted((int(first), int(last), f"{FOLDER}/{name}") for (first, _, last), name in spans)

    def _from_log(self, delta: DeltaTable, version: int) -> Commit:
        text = self._table.get(delta, f"_delta_log/{version:020d}.json").decode()
        with engine_errors(f"commit {version} of lake {self._table.uri} is damaged"):
            actions = [json.loads(line) for line in text.splitlines()]
        info: dict[str, Any] = next((a["commitInfo"] for a in actions if "commitInfo" in a), {})
        mark = mark_of(info)
        adds = {a["add"]["path"]: a["add"]["size"] for a in actions if "add" in a}
        removes = {a["remove"]["path"]: a["remove"].get("size", 0) for a in actions if "remove" in a}
        # A carry holds the whole ledger; the newest one is always in the log.
        return Commit(version, info.get("timestamp", 0), {} if "carry" in mark else mark, adds, removes)
