"""A library of each schema that there has been opens: migrated in one step, with a copy kept and nothing lost."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from store import Library, LibraryTooNew, StoreError
from store.catalogue import migrations
from store.files import durable
from tests.store import libraries

OLD = [version for version in migrations.scripts() if (libraries.FOLDER / f"schema-{version}.tar.xz").exists()]


def test_there_is_a_library_of_every_schema():
    assert list(migrations.scripts()) == OLD
    assert OLD[-1] == migrations.LATEST


def schema_of(path: Path) -> int:
    engine = duckdb.connect(str(path / "catalogue.duckdb"), read_only=True)
    try:
        return engine.sql("SELECT max(version) FROM schema_history").fetchall()[0][0]
    finally:
        engine.close()


@pytest.mark.parametrize("version", OLD)
def test_a_library_of_this_schema_opens_whole(version: int, tmp_path: Path):
    """Four runs, one of them edited; one deleted; a device weighed twice; a meter and its calibration."""
    path = libraries.unpack(version, tmp_path / "old")
    assert schema_of(path) == version
    library = Library.open(path)
    assert schema_of(path) == migrations.LATEST
    copies = list(path.glob(f"catalogue-schema{version}-*.duckdb"))
    assert len(copies) == (version < migrations.LATEST)
    assert all(copy.name in " ".join(library.notices) for copy in copies)
    assert library.maintenance.verify() == []
    assert library.runs.frame(sort="run_id")["run_id"].to_list() == [1, 2, 4, 5]
    assert library.runs.get(2).facts.load_set == "20 W"
    assert [a.reason for a in library.runs.get(2).amendments] == ["misread"]
    assert library.sql.run("SELECT reason FROM deleted").table.to_pylist() == [{"reason": "twice"}]
    assert library.devices.get("PB-01").mass_g == 355.0
    assert library.sql.run("SELECT count(*) AS n FROM samples").table.to_pylist() == [{"n": 3 * 40 + 30}]
    assert (
        library.sql.run("SELECT count(*) AS n FROM meters JOIN calibrations USING (meter)").table["n"][0].as_py() == 1
    )
    before = library.runs.frame()
    library.results.recompute()
    library.maintenance.pack()
    assert library.runs.frame().select("run_id", "samples").equals(before.select("run_id", "samples"))
    assert Library.open(path).notices == []


def test_a_migration_that_fails_leaves_the_library_as_it_was(tmp_path: Path):
    path = libraries.unpack(1, tmp_path / "old")
    for step in ("copy", "replace", "migrate", "commit"):

        def refuse(operation: str, _: Path, step: str = step) -> None:
            if operation == step:
                raise OSError(28, "No space left on device")

        durable.set_hook(refuse)
        try:
            with pytest.raises(StoreError, match="No space"):
                Library.open(path)
        finally:
            durable.set_hook(None)
        assert schema_of(path) == 1, step
        assert not list((path / "tmp").iterdir())
    assert Library.open(path).maintenance.verify() == []


def test_a_wrong_migration_is_rolled_back_whole(tmp_path: Path):
    path = libraries.unpack(2, tmp_path / "old")
    library = Library.open(path)
    texts = {**migrations.scripts(), 999: "ALTER TABLE catalogue.mark ADD COLUMN seen_on DATE; SELECT no_such_thing;"}
    with pytest.raises(Exception, match="no_such_thing"):
        migrations.migrate(library.catalogue, library.layout, texts)
    assert schema_of(path) == migrations.LATEST
    assert Library.open(path).maintenance.verify() == []


def test_a_library_of_a_later_program_is_refused_and_left_alone(tmp_path: Path):
    path = libraries.unpack(2, tmp_path / "new")
    engine = duckdb.connect(str(path / "catalogue.duckdb"))
    engine.execute("INSERT INTO schema_history VALUES (900, '2031-01-01', '9')")
    engine.close()
    before = (path / "catalogue.duckdb").read_bytes()
    with pytest.raises(LibraryTooNew) as caught:
        Library.open(path)
    assert "\n" not in str(caught.value)
    assert (path / "catalogue.duckdb").read_bytes() == before
