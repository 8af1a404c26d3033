"""What is known of a fleet's files and runs while its catalogue is built."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa

from dashboard.catalogue.columns import TABLES
from dashboard.catalogue.snapshot import Snapshot
from dashboard.catalogue.tasks import Key, Outcome, Task


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """A file that was looked at.

    Attributes:
        stamp: what it was then.
        key: its content's; hashes are empty where the file states none.
        run_id: of its run; empty where it is set aside.
        reason: why it is set aside; empty where it is not.
    """

    stamp: str
    key: Key
    run_id: str
    reason: str


@dataclass(slots=True, kw_only=True)
class Known:
    """All that is known so far.

    Attributes:
        files: by path, those that were looked at and are as they were.
        last: the catalogue whose rows may be used again; None without any.
        gone: keys by the path and by the stamp of files that changed or went.
        removed: how many files went.
        new: rows that were made since, by key.
        passing: files that the system refused, with the reason.
        analysed: how many rows were made.
    """

    files: dict[str, File] = field(default_factory=dict)
    last: Snapshot | None = None
    gone: dict[str, list[Key]] = field(default_factory=dict)
    removed: int = 0
    new: dict[Key, Outcome] = field(default_factory=dict)
    passing: dict[str, Outcome] = field(default_factory=dict)
    analysed: int = 0
    _held: dict[Key, int] | None = None

    @property
    def held(self) -> dict[Key, int]:
        """By key, the place of its row in ``last``."""
        if self._held is None:
            keys = [] if self.last is None else _keys(self.last.tables["runs"])
            self._held = {key: place for place, key in enumerate(keys)}
        return self._held

    def tasks(self, runs: str, stamps: Mapping[str, str]) -> list[Task]:
        """A task for each file that is new or changed.

        Args:
            runs: the fleet's folder or URL.
            stamps: the files of now.
        """
        return [
            Task(runs=runs, path=path, known=self._may_have(path, stamp))
            for path, stamp in stamps.items()
            if path not in self.files
        ]

    def _may_have(self, path: str, stamp: str) -> tuple[Key, ...]:
        """Keys that a file may have: it was only touched, or moved here."""
        keys = [*self.gone.get(path, ()), *self.gone.get(stamp, ())]
        return tuple(dict.fromkeys(k for k in keys if k in self.held))

    def without_rows(self, runs: str) -> list[Task]:
        """A task for each file that counts and of which there are no rows."""
        return [
            Task(runs=runs, path=path)
            for path in self._first_of_runs().values()
            if (key := self.files[path].key) not in self.new and key not in self.held
        ]

    def take(self, outcome: Outcome, stamp: str) -> None:
        """Takes what came of a file.

        Args:
            outcome: what came.
            stamp: the file's, from before it was looked at.
        """
        self.files.pop(outcome.path, None)
        self.passing.pop(outcome.path, None)
        if outcome.passing:
            self.passing[outcome.path] = outcome
            return
        self.files[outcome.path] = File(
            stamp=stamp, key=outcome.key, run_id=outcome.run_id, reason=outcome.reason
        )
        if outcome.run is not None:
            self.new[outcome.key] = outcome
            self.analysed += 1

    def tables(self) -> dict[str, pa.Table]:
        """The catalogue's tables as far as they are known; rows in any order."""
        first = self._first_of_runs()
        counting = {path: self.files[path].key for path in first.values()}
        made = {p: self.new[k] for p, k in counting.items() if k in self.new}
        held = {
            p: self.held[k] for p, k in counting.items() if k not in self.new and k in self.held
        }
        rows = {
            "runs": [{**(o.run or {}), "path": path} for path, o in made.items()],
            "sectors": [row for outcome in made.values() for row in outcome.sectors],
            "set_aside": self._set_aside(first),
            "files": self._file_rows(),
        }
        tables = {name: pa.Table.from_pylist(rows[name], schema) for name, schema in TABLES.items()}
        if self.last is not None:
            for name, again in _again(self.last, held).items():
                tables[name] = pa.concat_tables([again, tables[name]])
        return tables

    def _first_of_runs(self) -> dict[str, str]:
        """By run id, the path that counts: the first of those that hold the run."""
        first: dict[str, str] = {}
        for path in sorted(path for path, file in self.files.items() if file.run_id):
            first.setdefault(self.files[path].run_id, path)
        return first

    def _set_aside(self, first: Mapping[str, str]) -> list[dict[str, Any]]:
        reasons = {path: (o.key[0], o.reason) for path, o in self.passing.items()}
        for path, file in self.files.items():
            if file.reason:
                reasons[path] = (file.key[0], file.reason)
            elif first[file.run_id] != path:
                other = first[file.run_id]
                reason = f"holds run {file.run_id}, as {other} does; move one away"
                reasons[path] = (file.key[0], reason)
        return [
            {"path": path, "sha256": sha256, "reason": reason}
            for path, (sha256, reason) in reasons.items()
        ]

    def _file_rows(self) -> list[dict[str, Any]]:
        return [
            {
                "path": path,
                "stamp": file.stamp,
                "sha256": file.key[0],
                "corrections_sha256": file.key[1],
                "run_id": file.run_id,
            }
            for path, file in self.files.items()
        ]


def what_is_known(stamps: Mapping[str, str], last: Snapshot | None, method_version: str) -> Known:
    """What the last catalogue tells of the files of now.

    Args:
        stamps: the files of now, by path.
        last: the last catalogue.
        method_version: of the method of now; results of another are none.
    """
    if last is None or last.method_version != method_version:
        return Known()
    known = Known(last=last)
    aside = last.tables["set_aside"]
    reasons = dict(zip(_texts(aside, "path"), _texts(aside, "reason"), strict=True))
    files = last.tables["files"]
    paths, were, run_ids = (_texts(files, c) for c in ("path", "stamp", "run_id"))
    for path, stamp, run_id, key in zip(paths, were, run_ids, _keys(files), strict=True):
        if stamps.get(path) == stamp:
            reason = "" if run_id else reasons.get(path, "")
            known.files[path] = File(stamp=stamp, key=key, run_id=run_id, reason=reason)
        else:
            known.removed += path not in stamps
            for mark in (path, stamp):
                known.gone.setdefault(mark, []).append(key)
    return known


def _again(last: Snapshot, held: Mapping[str, int]) -> dict[str, pa.Table]:
    """Rows of the last catalogue.

    Args:
        last: that catalogue.
        held: by the path of now, the place of its run's row.
    """
    runs = last.tables["runs"].take(pa.array(held.values(), pa.int64()))
    place = runs.schema.get_field_index("path")
    runs = runs.set_column(place, TABLES["runs"].field("path"), pa.array(held, pa.string()))
    wanted = set(_texts(runs, "run_id"))
    sectors = last.tables["sectors"]
    places = [i for i, run_id in enumerate(_texts(sectors, "run_id")) if run_id in wanted]
    return {"runs": runs, "sectors": sectors.take(pa.array(places, pa.int64()))}


def _keys(table: pa.Table) -> list[Key]:
    return list(zip(_texts(table, "sha256"), _texts(table, "corrections_sha256"), strict=True))


def _texts(table: pa.Table, column: str) -> list[str]:
    texts: list[str] = table.column(column).to_pylist()
    return texts
