"""A library shared as Delta tables that other engines read: traces as they are, facts as tables, one row a bench last.

Source of the form: the Delta transaction log protocol, https://github.com/delta-io/delta/blob/master/PROTOCOL.md. The
trace files are added unchanged, named by their hash, below `bench=<name>/`: one engine takes a partition's value from
the path instead of the log. Traces are committed first, `runs` after the other facts, the bench's own row last: it
names the version of every table that makes its generation whole.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib.util import find_spec
from typing import TYPE_CHECKING

from store.catalogue.connection import rows
from store.devices.figure_store import FigureStore
from store.devices.verdict_store import VerdictStore
from store.errors import DiskFault
from store.sharing.exports import EXPORTS, export_batches, exports_of, own_files_of
from store.sharing.facts import FACT_TABLES, block_of, digests_of
from store.sharing.target import ShareRefused, Target

if TYPE_CHECKING:
    from store.core import Store
    from store.sharing.tables import BenchState, SharedTables

__all__ = ["ShareReport", "share"]

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_ROUNDS = 3
_BLOCKS_AT_ONCE = 3
"""Two million results or so in memory."""


@dataclass(frozen=True, slots=True)
class ShareReport:
    """What went, or would go."""

    target: str
    bench: str
    is_dry: bool
    traces_added: int = 0
    traces_removed: int = 0
    exports_added: int = 0
    bytes_added: int = 0
    tables: Mapping[str, int] = field(default_factory=dict)
    """Rows written by table; tables that are as they were are left out."""
    versions: Mapping[str, int] = field(default_factory=dict)
    """The version of each table that together are this generation."""
    is_unchanged: bool = False


def share(
    library: Store,
    to: str,
    bench: str,
    *,
    is_dry: bool = False,
    compact: bool = False,
    keep_days: float | None = None,
    exports: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> ShareReport:
    """Bring the tables at a target up to date with a library.

    Args:
        library: What is shared.
        to: A folder, or `s3://bucket/prefix`.
        bench: Under which name; one name belongs to one library.
        is_dry: Look, and write nothing.
        compact: Merge small files of the fact tables afterwards.
        keep_days: Remove files that no version of the last so many days needs.
        exports: Also the exports as they came, so that whoever takes runs from there has them whole.
        progress: Told how many steps of how many are done.

    Raises:
        ShareRefused: The extra is missing, the name is another library's, the target holds other tables or newer ones.
        TraceDamaged: A trace is not what was stored.
        DiskFault: The target can't be read or written.
    """
    if find_spec("deltalake") is None:
        raise ShareRefused('Sharing needs the extra "share": pip install "joulebook[share]".')
    if not _NAME.fullmatch(bench):
        raise ShareRefused(
            f"{bench!r} is not a valid bench name: letters, digits, - and _, 40 at most, as --bench north."
        )
    from store.sharing.tables import SharedTables

    target = Target(to)
    tables = SharedTables(target, bench)
    try:
        report = _share(library, tables, is_dry=is_dry, exports=exports, progress=progress)
        if not is_dry and (compact or keep_days is not None):
            tables.tidy(compact=compact, keep_days=keep_days)
    except OSError as error:
        raise DiskFault.of(error, f"Sharing to {target}") from error
    return report


def _share(
    library: Store,
    tables: SharedTables,
    *,
    is_dry: bool,
    exports: bool,
    progress: Callable[[int, int], None] | None,
) -> ShareReport:
    known = tables.state()
    with library.catalogue.reader() as cursor:
        (own,) = rows(cursor, "SELECT value FROM catalogue.meta WHERE key = 'library_uid'")[0]
    if known is not None and known.library_uid != own:
        raise ShareRefused(
            f"At {tables.target} the name {tables.bench} belongs to another library. Choose another --bench."
        )
    generation = str(library.generation())
    mark = _exports_mark(library, is_wanted=exports)
    is_same = known is not None and known.generation == generation and known.contents.get(EXPORTS) == mark
    if known is not None and is_same and tables.are_there(known.versions):
        return ShareReport(str(tables.target), tables.bench, is_dry, versions=known.versions, is_unchanged=True)
    for _ in range(_ROUNDS):
        generation = str(library.generation())
        report = _round(library, tables, known, own, generation, is_dry=is_dry, exports=exports, progress=progress)
        if is_dry or str(library.generation()) == generation:
            return report
        known = tables.state()
    return report


def _round(
    library: Store,
    tables: SharedTables,
    known: BenchState | None,
    library_uid: str,
    generation: str,
    *,
    is_dry: bool,
    exports: bool,
    progress: Callable[[int, int], None] | None,
) -> ShareReport:
    """One pass: traces, facts, then the bench's row."""
    from store.sharing.tables import SAMPLES, BenchState, SharedTrace

    with library.catalogue.reader() as cursor:
        wanted = [
            SharedTrace(str(file), str(sha256), int(size))
            for file, sha256, size in rows(cursor, "SELECT file, sha256, bytes FROM catalogue.trace_file ORDER BY file")
        ]
    there = tables.shared_traces()
    new = [trace for trace in wanted if trace.shared_as(tables.bench) not in there]
    gone = sorted(set(there) - {trace.shared_as(tables.bench) for trace in wanted})
    steps = len(new) + len(FACT_TABLES)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, steps)

    versions: dict[str, int] = {}
    if not is_dry:
        for trace in new:
            tables.put_trace(library.layout.absolute(trace.file), trace)
            step()
        versions[SAMPLES] = tables.commit_traces(
            [(trace, library.layout.absolute(trace.file)) for trace in new], {name: there[name] for name in gone}
        )
    contents = dict(known.contents) if known is not None else {}
    exports_added, export_bytes = _share_exports(library, tables, is_wanted=exports, is_dry=is_dry)
    contents[EXPORTS] = _exports_mark(library, is_wanted=exports)
    written: dict[str, int] = {}
    for name in FACT_TABLES:
        written[name] = _share_table(library, tables, name, contents, is_dry=is_dry)
        if not is_dry:
            versions[name] = tables.version(name)
            step()
    if not is_dry:
        tables.commit_state(BenchState(library_uid, generation, versions, contents))
    return ShareReport(
        str(tables.target),
        tables.bench,
        is_dry,
        traces_added=len(new),
        traces_removed=len(gone),
        exports_added=exports_added,
        bytes_added=sum(trace.size for trace in new) + export_bytes,
        tables={name: count for name, count in written.items() if count},
        versions=versions,
    )


def _exports_mark(library: Store, *, is_wanted: bool) -> str:
    """What of the exports is shared; a profile that is edited changes no catalogue."""
    return " ".join(["all", *sorted(own_files_of(library))]) if is_wanted else "none"


def _share_exports(library: Store, tables: SharedTables, *, is_wanted: bool, is_dry: bool) -> tuple[int, int]:
    """Bring the table of exports up to date; how many came, and their bytes."""
    there = tables.shared_exports()
    wanted = exports_of(library) if is_wanted else {}
    new = {sha256: export for sha256, export in wanted.items() if sha256 not in there}
    size = sum((library.path / name).stat().st_size for name, _ in new.values())
    gone = sorted(there - wanted.keys())
    if not is_dry and (new or gone):
        tables.commit_exports(lambda: export_batches(library, tables.bench, new), gone)
    return len(new), size


def _share_table(library: Store, tables: SharedTables, name: str, contents: dict[str, str], *, is_dry: bool) -> int:
    """Write the blocks of a table that differ from what was shared last; how many rows that is."""
    is_there = is_dry or tables.exists(name)
    prefix = f"{name}/"
    made = {"verdicts": library.service(VerdictStore).table, "results": library.service(FigureStore).table}
    computed = made[name]() if name in made else None  # with no reader held: it reads too
    with library.catalogue.reader() as cursor:
        digests = {f"{prefix}{number}": digest for number, digest in digests_of(cursor, name, computed).items()}
    due = [key for key, digest in digests.items() if not is_there or contents.get(key) != digest]
    emptied = [key for key in contents if key.startswith(prefix) and key not in digests]
    count = 0
    for first in range(0, len(due), _BLOCKS_AT_ONCE):
        with library.catalogue.reader() as cursor:
            blocks = [
                block_of(cursor, name, int(key.removeprefix(prefix)), tables.bench, computed)
                for key in due[first : first + _BLOCKS_AT_ONCE]
            ]
        count += sum(block.rows.num_rows for block in blocks)
        if not is_dry:
            tables.write(name, blocks)
    if emptied and not is_dry:
        tables.write(name, [], emptied=[int(key.removeprefix(prefix)) for key in emptied])
    for key in emptied:
        del contents[key]
    contents |= digests
    return count
