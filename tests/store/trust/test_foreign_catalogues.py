"""Catalogues that another program changed: refused by name, run nothing, and nothing outside is touched."""

from __future__ import annotations

import os
import shutil
from collections.abc import Container, Iterable
from pathlib import Path

import pytest

from store import ForeignCatalogue, Library, StoreError
from tests.store.trust.libraries import change, everything, make_bench, originals, sums

SECRET = "words that stand outside of the library"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Library:
    return make_bench(tmp_path_factory.mktemp("bench"))


@pytest.fixture
def library(kept: Library, tmp_path: Path) -> Library:
    shutil.copytree(kept.path, tmp_path / "store")
    (tmp_path / "secret.txt").write_text(SECRET, encoding="utf-8")
    return Library.open(tmp_path / "store", who="tester")


def view_of(table: str) -> tuple[str, ...]:
    return (
        f"ALTER TABLE {table} RENAME TO hidden_{table}",
        f"CREATE VIEW {table} AS SELECT * FROM hidden_{table}",
    )


TABLES = ("meta", "schema_history", "original", "trace_file", "run", "preview", "result", "event", "device", "port")
TABLES += ("claim", "mark", "meter", "calibration", "amendment", "tombstone", "report", "rating_scheme")

SCHEMA_ATTACKS: dict[str, tuple[str, ...]] = {
    **{f"view {table}": view_of(table) for table in TABLES},
    "view that reads a file": (
        "DROP TABLE meter",
        "CREATE VIEW meter AS SELECT content AS meter FROM read_text('{outside}/secret.txt')",
    ),
    "view beside": ("CREATE VIEW extra AS SELECT 1 AS one",),
    "trigger": ("CREATE TRIGGER wipe AFTER UPDATE ON run FOR EACH STATEMENT DELETE FROM result",),
    "trigger on insert": ("CREATE TRIGGER wipe AFTER INSERT ON amendment FOR EACH STATEMENT DELETE FROM result",),
    "macro": ("CREATE MACRO coalesce_it(a) AS a + 1",),
    "table macro": ("CREATE MACRO runs_of(a) AS TABLE SELECT * FROM run WHERE device = a",),
    "macro named as a function": ("CREATE MACRO count(a) AS 42",),
    "type": ("CREATE TYPE mood AS ENUM ('good', 'bad')",),
    "sequence": ("CREATE SEQUENCE numbers",),
    "index": ("CREATE INDEX by_uid ON run (uid)",),
    "schema": ("CREATE SCHEMA other",),
    "table in another schema": ("CREATE SCHEMA other", "CREATE TABLE other.run AS SELECT * FROM run"),
    "table beside": ("CREATE TABLE extra (a INTEGER)",),
    "column more": ("ALTER TABLE meter ADD COLUMN extra VARCHAR",),
    "column less": ("ALTER TABLE run DROP COLUMN note",),
    "column renamed": ("ALTER TABLE run RENAME COLUMN note TO remark",),
    "column of another type": ("ALTER TABLE run ALTER COLUMN samples TYPE DOUBLE",),
    "column as text": ("ALTER TABLE result ALTER COLUMN value TYPE VARCHAR",),
    "not null dropped": ("ALTER TABLE run ALTER COLUMN uid DROP NOT NULL",),
    "default": ("ALTER TABLE meter ALTER COLUMN note SET DEFAULT 'x'",),
    "generated column": (
        "ALTER TABLE mark RENAME TO hidden",
        "CREATE TABLE mark (device VARCHAR NOT NULL, name VARCHAR NOT NULL, listing VARCHAR AS (device || name))",
    ),
    "generated column beside": (
        "ALTER TABLE mark RENAME TO hidden",
        "CREATE TABLE mark (device VARCHAR NOT NULL, name VARCHAR NOT NULL, listing VARCHAR, x VARCHAR AS (name))",
        "DROP TABLE hidden",
    ),
    "check": (
        "DROP TABLE mark",
        "CREATE TABLE mark (device VARCHAR NOT NULL, name VARCHAR NOT NULL, listing VARCHAR CHECK (listing <> ''))",
    ),
    "table missing": ("DROP TABLE claim",),
    "history missing": ("DROP TABLE schema_history",),
    "history of another shape": ("DROP TABLE schema_history", "CREATE TABLE schema_history AS SELECT 2 AS version"),
    "history as a view": ("DROP TABLE schema_history", "CREATE VIEW schema_history AS SELECT 2 AS version"),
}


FIRST = {
    "view run",
    "view that reads a file",
    "trigger",
    "macro",
    "type",
    "column more",
    "generated column",
    "table missing",
}
"""Those of the default run; the others are in the long one."""


def split(names: Iterable[str], first: Container[str]) -> list[object]:
    return [name if name in first else pytest.param(name, marks=pytest.mark.long) for name in names]


@pytest.mark.parametrize("attack", split(sorted(SCHEMA_ATTACKS), FIRST))
def test_a_changed_schema_is_refused_by_name_and_rebuild_brings_the_runs_back(library: Library, attack: str):
    before = everything(library)
    outside = str(library.path.parent)
    change(library, *(statement.replace("{outside}", outside) for statement in SCHEMA_ATTACKS[attack]))
    as_it_was = library.layout.catalogue.read_bytes()
    with pytest.raises(ForeignCatalogue, match="joulebook rebuild") as refused:
        Library.open(library.path)
    assert SECRET not in str(refused.value)
    assert library.layout.catalogue.read_bytes() == as_it_was, "something of it ran"
    assert [finding.code for finding in library.maintenance.verify(repair=True)] == ["catalogue"]
    if not {"macro", "type"} & set(attack.split()):  # no statement of ours resolves one, and they cost time to list
        with pytest.raises(StoreError):
            library.runs.edit([1], {"note": "y"})
        with pytest.raises(StoreError):
            library.sql.run("SELECT * FROM meters")
    again, report = Library.rebuilt(library.path, who="tester")
    assert report.runs == len(before["sums"])
    assert sums(again) == before["sums"]
    assert originals(again) == before["originals"]
    assert [finding.code for finding in again.maintenance.verify()] == []


PATHS = (
    "../outside/victim.txt",
    "traces/runs/../../../outside/victim.txt",
    "{outside}/outside/victim.txt",
    "traces/runs/./x.parquet",
    "traces/runs//x.parquet",
    "traces/runs/link.parquet",
    "originals/link.zst",
    "traces\\runs\\x.parquet",
    "traces/runs/C:evil.parquet",
    "traces/runs/sub/x.parquet",
    "catalogue.duckdb",
    "profiles/own.toml",
    "traces/runs/",
    "traces/runs/*.parquet",
    "traces/runs/x.parquet\n",
    "",
    "traces/runs/" + "x" * 5000,
    "/dev/zero",
    "traces/runs/pipe.parquet",
    "file:///etc/hostname",
    "https://example.invalid/x.parquet",
)


@pytest.mark.parametrize("column", ["trace_file.file", "original.stored_as"])
@pytest.mark.parametrize("path", split(PATHS, (PATHS[0], PATHS[2], PATHS[5], PATHS[10])))
def test_a_path_that_leads_out_is_never_followed(library: Library, column: str, path: str):
    outside = library.path.parent / "outside"
    outside.mkdir()
    victim = outside / "victim.txt"
    victim.write_text(SECRET, encoding="utf-8")
    for link in (library.layout.runs / "link.parquet", library.layout.originals / "link.zst"):
        link.symlink_to(victim)
    before = everything_but_links(library)
    if path.endswith("pipe.parquet"):
        os.mkfifo(library.layout.runs / "pipe.parquet")
    table, name = column.split(".")
    lied = path.replace("{outside}", str(library.path.parent)).replace("'", "''")
    change(library, f"UPDATE {table} SET {name} = '{lied}' WHERE rowid = (SELECT min(rowid) FROM {table})")
    broken = Library.open(library.path, who="tester")
    codes = {finding.code for finding in broken.maintenance.verify()}
    assert codes & {"unsafe-trace", "unsafe-original", "missing-trace", "missing-original", "damaged-trace"}, codes
    for act in (
        lambda: broken.samples.read(1),
        lambda: broken.samples.strips(1),
        lambda: broken.samples.lazy(1).collect(),
        lambda: broken.sql.run("SELECT sum(voltage_v) FROM samples"),
        lambda: broken.maintenance.backup(library.path.parent / "b.tar"),
        broken.maintenance.pack,
        broken.results.recompute,
        broken.maintenance.files,
        lambda: broken.results.redo_sql(1, "energy_wh"),
    ):
        try:
            told = str(act())
        except StoreError as error:
            told = str(error)
        assert SECRET not in told
    if table == "trace_file":
        with pytest.raises(StoreError):
            broken.samples.read(1)
    found = broken.maintenance.verify(repair=True)
    assert all(finding.is_repaired for finding in found), [f.message for f in found if not f.is_repaired]
    assert [finding.message for finding in broken.maintenance.verify()] == []
    assert everything_but_links(broken) == before
    broken.runs.delete([1], reason="a slip")
    assert victim.read_text(encoding="utf-8") == SECRET


def everything_but_links(library: Library) -> dict[str, object]:
    kept = [path for path in library.layout.originals.iterdir() if not path.is_symlink()]
    return {"sums": sums(library), "originals": {path.name[:64] for path in kept}}
