"""What only the catalogue holds, written down a second time: an append-only journal beside the traces.

Runs and results can be had again from traces and originals; sheets, claims, meters, calibrations, pairs, amendments,
settings, reports and corrected facts can not. So each transaction that changes one of those appends a line, flushed,
before it is committed, and a line without flush once it is. A catalogue that is lost or older than its journal gets
them back by reading it again. Knows the catalogue's tables and files; no run's samples.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb

from store.catalogue.appending import append_rows
from store.files import durable
from store.model.records import RunFacts
from store.version import __version__

__all__ = [
    "Journal",
    "JournalEntry",
    "Kept",
    "all_kept",
    "apply_kept",
    "apply_run_facts",
    "as_row",
    "as_text",
    "catch_up",
    "is_behind",
]

TABLES = (
    "meta", "device", "port", "claim", "mark", "meter", "calibration", "amendment", "tombstone", "named_question",
    "setting", "report", "rating_scheme", "shelved_run",
)  # fmt: skip
"""Tables that nothing else tells."""
NOT_KEPT = ("reserved", "last_trace_id", "results_due", "journal_seq")
"""Keys of `meta` that are about this very file."""
_SEQ = "journal_seq"
_ROTATE = 8 << 20
"""A file of the journal is closed at this size [bytes]."""
_RUN_FACTS = (
    *(name for name in RunFacts.__dataclass_fields__ if name not in {"run_id", "uid"}),
    "group_offset_s", "group_offset_uncertainty_s", "group_method", "amendment_count",
)  # fmt: skip


def _plain(value: object) -> object:
    """A value of the engine as JSON has it; what JSON lacks is marked."""
    if isinstance(value, datetime):
        return {"$t": value.isoformat()}
    if isinstance(value, date):
        return {"$d": value.isoformat()}
    if isinstance(value, bytes | bytearray | memoryview):
        return {"$b": base64.b64encode(bytes(value)).decode()}
    return value


def _back(value: object) -> object:
    if isinstance(value, dict):
        if "$t" in value:
            return datetime.fromisoformat(value["$t"])
        if "$d" in value:
            return date.fromisoformat(value["$d"])
        if "$b" in value:
            return base64.b64decode(value["$b"])
    return value


def as_text(row: Mapping[str, object]) -> str:
    """A row of the catalogue as JSON, moments and bytes marked."""
    return json.dumps({name: _plain(value) for name, value in row.items()}, ensure_ascii=False, sort_keys=True)


def as_row(text: str) -> dict[str, Any]:
    """The inverse of `as_text`."""
    return {name: _back(value) for name, value in json.loads(text).items()}


def _source(table: str) -> str:
    if table != "meta":
        return f"catalogue.{table}"
    left_out = ", ".join(f"'{key}'" for key in NOT_KEPT)
    return f"(SELECT * FROM catalogue.meta WHERE key NOT IN ({left_out}))"


def _rows(cursor: duckdb.DuckDBPyConnection, table: str) -> Counter[str]:
    """Every row of a table as text, and how often it stands there."""
    found = cursor.sql(f"SELECT * FROM {_source(table)}").to_arrow_table().to_pylist()
    return Counter(as_text(row) for row in found)


def _marks(cursor: duckdb.DuckDBPyConnection) -> dict[str, tuple[object, ...]]:
    """What tells one state of each table from another; a long one by its highest number."""
    parts = []
    for table in TABLES:
        if table == "amendment":
            parts.append("SELECT 'amendment', count(*), coalesce(max(seq), 0) FROM catalogue.amendment")
        elif table == "report":
            parts.append("SELECT 'report', count(*), sum(hash(report, version, chain)) FROM catalogue.report")
        else:
            parts.append(f"SELECT '{table}', count(*), sum(hash(t)) FROM {_source(table)} t")
    parts.append("SELECT 'run', count(*), coalesce(max(run_id), 0) FROM catalogue.run")
    return {str(name): tuple(rest) for name, *rest in cursor.execute(" UNION ALL ".join(parts)).fetchall()}


def _has_tables(cursor: duckdb.DuckDBPyConnection) -> bool:
    sql = "SELECT count(*) FROM duckdb_tables() WHERE database_name = 'catalogue' AND table_name IN (SELECT unnest(?))"
    return int(cursor.execute(sql, [list(TABLES)]).fetchall()[0][0]) == len(TABLES)


def _columns(cursor: duckdb.DuckDBPyConnection, table: str) -> list[str]:
    return [column[0] for column in cursor.execute(f"SELECT * FROM catalogue.{table} LIMIT 0").description or ()]


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One transaction's line."""

    seq: int
    library: str
    changes: dict[str, dict[str, list[str]]]
    """By table: rows under `all`, or under `gone` and `new`, each as text."""
    run_facts: dict[str, str]
    """Corrected facts of runs, by uid, as text."""
    runs: tuple[str, ...]
    """Runs that came in, by uid; their facts stand in their traces."""


@dataclass(slots=True)
class Kept:
    """What a journal tells, read to its end."""

    seq: int = 0
    library: str = ""
    tables: dict[str, Counter[str]] = field(default_factory=dict)
    run_facts: dict[str, str] = field(default_factory=dict)

    def add(self, entry: JournalEntry) -> None:
        """Go one transaction on."""
        for table, change in entry.changes.items():
            held = self.tables.setdefault(table, Counter())
            if "all" in change:
                self.tables[table] = Counter(change["all"])
                continue
            held.subtract(Counter(change.get("gone", ())))
            held.update(Counter(change.get("new", ())))
            self.tables[table] = +held
        self.run_facts |= entry.run_facts
        self.seq, self.library = entry.seq, entry.library


class Journal:
    """The journal of one library."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._place: tuple[Path, int] | None = None
        self._known: tuple[tuple[Path, int, int], tuple[int, str]] | None = None
        self._seq = 0

    # reading

    def _files(self) -> list[Path]:
        return sorted(self.folder.glob("*.jsonl")) if self.folder.is_dir() else []

    def _lines(self, path: Path) -> Iterator[dict[str, Any]]:
        """Whole lines of a file; what a power cut left of the last one is passed over."""
        with path.open("rb") as file:
            for line in file:
                digest, _, body = line.rstrip(b"\n").partition(b" ")
                if not line.endswith(b"\n") or hashlib.sha256(body).hexdigest()[:16].encode() != digest:
                    continue
                with suppress(ValueError):
                    yield json.loads(body)

    def entries(self, after: int = 0) -> Iterator[JournalEntry]:
        """Every committed transaction with a higher number, in order.

        The last one counts only where it was noted as committed: power that failed before that lost a command that
        nobody was told is done.
        """
        waiting: JournalEntry | None = None
        for path in self._files():
            for told in self._lines(path):
                if "done" in told:
                    if waiting is not None and told["done"] == waiting.seq:
                        yield waiting
                        waiting = None
                    continue
                if waiting is not None and told["seq"] > waiting.seq:
                    yield waiting  # others were built on it
                waiting = None
                if told["seq"] > after:
                    waiting = JournalEntry(
                        told["seq"], told["library"], told["changes"], told.get("run_facts", {}), tuple(told["runs"])
                    )

    def read(self) -> Kept:
        """All that the journal tells."""
        kept = Kept()
        for entry in self.entries():
            kept.add(entry)
        return kept

    def last(self) -> tuple[int, str]:
        """Number and library of the last transaction that counts; (0, "") where there is none."""
        files = self._files()
        if not files:
            return 0, ""
        facts = files[-1].stat()
        mark = (files[-1], facts.st_mtime_ns, facts.st_size)
        if self._known is not None and self._known[0] == mark:
            return self._known[1]
        found = (0, "")
        for path in reversed(files):
            for entry in Journal._of(path):
                found = (entry.seq, entry.library)
            if found[0]:
                break
        self._known = (mark, found)
        return found

    @staticmethod
    def _of(path: Path) -> Iterator[JournalEntry]:
        only = Journal(path.parent)
        only._files = lambda: [path]  # type: ignore[method-assign]
        yield from only.entries()

    # writing

    def prepare(self, before: duckdb.DuckDBPyConnection, now: duckdb.DuckDBPyConnection) -> bool:
        """Append what a transaction changes, flushed, and note its number in the catalogue.

        Args:
            before: A cursor outside the transaction.
            now: The transaction's.

        Returns:
            Whether there was something to keep; then `done` or `undo` must follow.

        Raises:
            OSError: The disk refused; the transaction must not be committed.
        """
        self._place = None
        if not _has_tables(now):
            return False
        was_there = _has_tables(before)
        marks = _marks(now)
        old = _marks(before) if was_there else {}
        seq, library = _number(now)
        last, of = self.last()
        is_base = last != seq or of != library or not was_there
        if not is_base and marks == old:
            return False
        if of and of != library:
            self._put_aside()
        told: dict[str, Any] = {
            "seq": max(seq, last if of == library else 0) + 1,
            "library": library,
            "at": datetime.now(UTC).isoformat(timespec="seconds"),
            "program": __version__,
            "changes": _changes(before, now, None if is_base else {t for t in TABLES if marks[t] != old[t]}),
        }
        first = 0 if is_base else int(str(old["amendment"][1]))
        told["run_facts"] = _facts(now, first)
        highest = 0 if is_base else int(str(old["run"][1]))
        sql = "SELECT uid FROM catalogue.run WHERE run_id > ? ORDER BY run_id"
        told["runs"] = [] if is_base else [str(row[0]) for row in now.execute(sql, [highest]).fetchall()]
        now.execute("DELETE FROM catalogue.meta WHERE key = ?", [_SEQ])
        now.execute("INSERT INTO catalogue.meta VALUES (?, ?)", [_SEQ, str(told["seq"])])
        self._append(told, flush=True)
        self._seq = int(told["seq"])
        return True

    def done(self) -> None:
        """Note that the transaction is committed; not flushed, for where that is lost the catalogue has it."""
        with suppress(OSError):
            self._append({"done": self._seq}, flush=False)

    def undo(self) -> None:
        """Take the line back of a transaction that was not committed."""
        if self._place is not None:
            path, size = self._place
            with suppress(OSError), path.open("r+b") as file:
                file.truncate(size)

    def _append(self, told: Mapping[str, Any], *, flush: bool) -> None:
        body = json.dumps(told, ensure_ascii=False).encode()
        durable.make_folder(self.folder)
        files = self._files()
        path = files[-1] if files else self.folder / "000001.jsonl"
        if flush and path.exists() and path.stat().st_size > _ROTATE:
            path = self.folder / f"{int(path.stem) + 1:06d}.jsonl"
        is_new = not path.exists()
        durable.step("journal", path)
        with durable.named(path), path.open("ab") as file:
            size = file.tell()
            if flush:
                self._place = (path, size)
            if size and not _ends_whole(path):
                file.write(b"\n")  # a line that a power cut left unfinished
            file.write(hashlib.sha256(body).hexdigest()[:16].encode() + b" " + body + b"\n")
            file.flush()
            if flush:
                os.fsync(file.fileno())
        if is_new:
            durable.fsync_folder(self.folder)
            durable.fsync_folder(self.folder.parent)

    def _put_aside(self) -> None:
        """A journal of another library is kept, under another name."""
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        durable.place(self.folder, self.folder.with_name(f"journal-of-another-{stamp}"))
        self._known = None


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def _number(cursor: duckdb.DuckDBPyConnection) -> tuple[int, str]:
    """Number of the last transaction that the catalogue holds, and the library's own id."""
    sql = "SELECT key, value FROM catalogue.meta WHERE key IN ('journal_seq', 'library_uid')"
    found = {str(key): str(value) for key, value in cursor.execute(sql).fetchall()}
    seq = found.get(_SEQ, "0")
    return int(seq) if seq.isdigit() else 0, found.get("library_uid", "")


def _changes(
    before: duckdb.DuckDBPyConnection, now: duckdb.DuckDBPyConnection, tables: set[str] | None
) -> dict[str, dict[str, list[str]]]:
    """Rows that came and went, of the tables named; every row of every table where None."""
    found: dict[str, dict[str, list[str]]] = {}
    for table in TABLES:
        if tables is not None and table not in tables:
            continue
        if tables is None or _columns(before, table) != _columns(now, table):
            found[table] = {"all": list(_rows(now, table).elements())}
        elif table == "amendment":
            highest = int(before.execute("SELECT coalesce(max(seq), 0) FROM catalogue.amendment").fetchall()[0][0])
            sql = f"SELECT * FROM catalogue.amendment WHERE seq > {highest} ORDER BY seq"
            fresh = now.sql(sql).to_arrow_table()
            found[table] = {"new": [as_text(row) for row in fresh.to_pylist()]}
        else:
            old, new = _rows(before, table), _rows(now, table)
            found[table] = {"gone": list((old - new).elements()), "new": list((new - old).elements())}
    return found


def _facts(cursor: duckdb.DuckDBPyConnection, after: int, *, or_in: str = "SELECT NULL") -> dict[str, str]:
    """Facts of the runs that later amendments are about, by uid; the run's own footer keeps those of its import."""
    there = set(_columns(cursor, "run"))
    names = [name for name in _RUN_FACTS if name in there]
    sql = (
        f"SELECT uid, {', '.join(names)} FROM catalogue.run WHERE CAST(run_id AS VARCHAR) IN "
        f"(SELECT key FROM catalogue.amendment WHERE table_name = 'run' AND seq > {after} UNION ALL {or_in})"
    )
    found = cursor.sql(sql).to_arrow_table().to_pylist()
    return {str(row.pop("uid")): as_text(row) for row in found}


def all_kept(cursor: duckdb.DuckDBPyConnection) -> Kept:
    """What the catalogue says now of all that only it holds; facts of runs where they were corrected or grouped."""
    seq, library = _number(cursor)
    grouped = "SELECT CAST(run_id AS VARCHAR) FROM catalogue.run WHERE group_id IS NOT NULL"
    facts = _facts(cursor, 0, or_in=grouped)
    return Kept(seq, library, {table: _rows(cursor, table) for table in TABLES}, facts)


def apply_kept(cursor: duckdb.DuckDBPyConnection, kept: Kept) -> list[str]:
    """Put the tables of a catalogue to what a journal tells, inside the caller's transaction.

    Returns:
        The tables that differed.
    """
    changed = []
    for table in TABLES:
        wanted = kept.tables.get(table)
        if wanted is None or _rows(cursor, table) == wanted:
            continue
        changed.append(table)
        left_out = ", ".join(f"'{key}'" for key in NOT_KEPT)
        where = f" WHERE key NOT IN ({left_out})" if table == "meta" else ""
        cursor.execute(f"DELETE FROM catalogue.{table}{where}")
        there = set(_columns(cursor, table))
        found = [as_row(text) for text in wanted.elements()]
        if table == "amendment":
            found.sort(key=lambda row: int(row["seq"]))
        append_rows(cursor, table, [{n: v for n, v in row.items() if n in there} for row in found])
    cursor.execute("DELETE FROM catalogue.meta WHERE key = ?", [_SEQ])
    cursor.execute("INSERT INTO catalogue.meta VALUES (?, ?)", [_SEQ, str(kept.seq)])
    return changed


def apply_run_facts(cursor: duckdb.DuckDBPyConnection, facts: Mapping[str, str]) -> list[int]:
    """Put corrected facts of runs back, inside the caller's transaction.

    Returns:
        Numbers of the runs that differed.
    """
    there = set(_columns(cursor, "run"))
    changed: list[int] = []
    for uid, text in facts.items():
        row = {name: value for name, value in as_row(text).items() if name in there}
        names = list(row)
        sql = f"SELECT run_id, {', '.join(names)} FROM catalogue.run WHERE uid = ?"
        found = cursor.execute(sql, [uid]).fetchall()
        if not found or list(found[0][1:]) == [row[name] for name in names]:
            continue
        pairs = ", ".join(f"{name} = ?" for name in names)
        cursor.execute(f"UPDATE catalogue.run SET {pairs} WHERE uid = ?", [*row.values(), uid])
        if "device" in row:
            sql = "UPDATE catalogue.result SET device = ? WHERE run_id = ?"
            cursor.execute(sql, [row["device"], found[0][0]])
        changed.append(int(found[0][0]))
    return changed


def catch_up(cursor: duckdb.DuckDBPyConnection, journal: Journal) -> tuple[int, list[str]]:
    """Bring a catalogue that is older than its journal up to it, inside the caller's transaction.

    Returns:
        How many transactions it lacked, and the uids of runs that came in with them.
    """
    seq, library = _number(cursor)
    last, of = journal.last()
    if last <= seq or of != library:
        return 0, []
    kept = Kept(tables={table: _rows(cursor, table) for table in TABLES})
    runs: list[str] = []
    count = 0
    for entry in journal.entries(after=seq):
        kept.add(entry)
        runs += entry.runs
        count += 1
    apply_kept(cursor, kept)
    apply_run_facts(cursor, kept.run_facts)
    return count, runs


def is_behind(cursor: duckdb.DuckDBPyConnection, journal: Journal) -> bool:
    """Whether the journal tells transactions that the catalogue lacks."""
    seq, library = _number(cursor)
    last, of = journal.last()
    return last > seq and of == library
