"""Three questions to a shared library in four engines, one of them on a cluster, from a folder and from a bucket.

The answers are those of `joulebook sql`. Needs the extra `test-engines`; run with `-n 0 -m engines`.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from deltalake import DeltaTable

from store import Library
from store.sharing.share import share
from store.sharing.take import take

pytestmark = pytest.mark.engines
daft = pytest.importorskip("daft")

Answer = list[tuple[Any, ...]]
BENCHES = ("north", "south")


@pytest.fixture(scope="module")
def shared(demo_library: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Library, Path]:
    """Two benches at one place: the demo, and the same under another identity without its warmest run."""
    folder = tmp_path_factory.mktemp("shared")
    libraries = []
    for bench in BENCHES:
        library = Library.open(shutil.copytree(demo_library, folder / bench))
        if bench == "south":
            with library.catalogue.writer() as cursor:
                cursor.execute("UPDATE catalogue.meta SET value = value || 'x' WHERE key = 'library_uid'")
        share(library, str(folder / "lab"), bench)
        libraries.append(library)
    return libraries[0], folder / "lab"


def per_mass_of(library: Library) -> Answer:
    """What the library itself says: energy delivered per mass, for each device and both benches."""
    found = library.sql.run(
        "SELECT device, max(energy_out_wh) / any_value(mass_g) * 1000 AS wh_per_kg FROM runs JOIN devices "
        "USING (device) WHERE energy_out_wh IS NOT NULL AND mass_g IS NOT NULL GROUP BY device ORDER BY device"
    ).table.to_pylist()
    return [(bench, row["device"], row["wh_per_kg"]) for bench in BENCHES for row in found]


def hot_runs_of(library: Library) -> Answer:
    """Runs whose case passed 50 °C, from the samples."""
    found = library.sql.run(
        "SELECT run_id, max(temperature_c) AS top FROM samples GROUP BY run_id HAVING top > 50 ORDER BY run_id"
    ).table.to_pylist()
    return [(bench, row["run_id"], row["top"]) for bench in BENCHES for row in found]


def repeats_of(library: Library) -> Answer:
    """Energy delivered by model over all benches: how many, mean and spread."""
    found = library.sql.run(
        "SELECT model, list(energy_out_wh) AS held FROM runs JOIN devices USING (device) "
        "WHERE energy_out_wh IS NOT NULL AND model IS NOT NULL GROUP BY model ORDER BY model"
    ).table.to_pylist()
    answer: Answer = []
    for row in found:
        both = pl.Series(row["held"] * len(BENCHES))
        answer.append((row["model"], both.len(), both.mean(), both.std()))
    return answer


QUESTIONS: dict[str, Callable[[Library], Answer]] = {
    "per mass": per_mass_of,
    "hot runs": hot_runs_of,
    "repeats": repeats_of,
}


def ask_polars(place: str, options: dict[str, str], question: str) -> Answer:
    """In Polars."""

    def scan(name: str) -> pl.LazyFrame:
        return pl.scan_delta(f"{place}/{name}", storage_options=options or None)

    joined = scan("runs").join(scan("devices"), on=["bench", "device"]).filter(pl.col("energy_out_wh").is_not_null())
    if question == "per mass":
        frame = (
            joined.filter(pl.col("mass_g").is_not_null())
            .group_by("bench", "device")
            .agg((pl.col("energy_out_wh").max() / pl.col("mass_g").first() * 1000).alias("x"))
            .sort("bench", "device")
        )
    elif question == "hot runs":
        frame = (
            scan("samples").group_by("bench", "run_id").agg(pl.col("temperature_c").max().alias("top"))
            .filter(pl.col("top") > 50).sort("bench", "run_id")
        )  # fmt: skip
    else:
        frame = (
            joined.filter(pl.col("model").is_not_null())
            .group_by("model")
            .agg(pl.len(), pl.col("energy_out_wh").mean(), pl.col("energy_out_wh").std().alias("s"))
            .sort("model")
        )
    return frame.collect().rows()


_SQL = {
    "per mass": "SELECT bench, device, max(energy_out_wh) / any_value(mass_g) * 1000 FROM runs JOIN devices "
    "USING (bench, device) WHERE energy_out_wh IS NOT NULL AND mass_g IS NOT NULL GROUP BY bench, device ORDER BY ALL",
    "hot runs": "SELECT bench, run_id, max(temperature_c) AS top FROM samples GROUP BY bench, run_id HAVING top > 50 "
    "ORDER BY ALL",
    "repeats": "SELECT model, count(*), avg(energy_out_wh), stddev_samp(energy_out_wh) FROM runs JOIN devices "
    "USING (bench, device) WHERE energy_out_wh IS NOT NULL AND model IS NOT NULL GROUP BY model ORDER BY ALL",
}


def ask_duckdb(place: str, options: dict[str, str], question: str) -> Answer:
    """In DuckDB, through the tables as Arrow datasets."""
    connection = duckdb.connect()
    for name in ("runs", "devices", "samples"):
        connection.register(name, DeltaTable(f"{place}/{name}", storage_options=options or None).to_pyarrow_dataset())
    return connection.sql(_SQL[question]).fetchall()


def ask_daft(place: str, options: dict[str, str], question: str) -> Answer:
    """In Daft, by whichever runner is set."""
    from daft import col

    config = None
    if options:
        config = daft.io.IOConfig(
            s3=daft.io.S3Config(
                endpoint_url=options["AWS_ENDPOINT_URL"], key_id=options["AWS_ACCESS_KEY_ID"],
                access_key=options["AWS_SECRET_ACCESS_KEY"], region_name=options["AWS_REGION"], use_ssl=False,
            )
        )  # fmt: skip

    def table(name: str) -> Any:
        return daft.read_deltalake(f"{place}/{name}", io_config=config)

    if question == "hot runs":
        frame = table("samples").groupby("bench", "run_id").agg(col("temperature_c").max().alias("top"))
        frame = frame.where(col("top") > 50).sort(["bench", "run_id"])
    else:
        devices = table("devices").select("bench", "device", "mass_g", "model")
        runs = table("runs").where(col("energy_out_wh").not_null()).select("bench", "device", "energy_out_wh")
        joined = runs.join(devices, on=["bench", "device"])
        if question == "per mass":
            frame = (
                joined.where(col("mass_g").not_null())
                .groupby("bench", "device")
                .agg(col("energy_out_wh").max().alias("most"), col("mass_g").any_value().alias("mass"))
                .select("bench", "device", (col("most") / col("mass") * 1000).alias("x"))
                .sort(["bench", "device"])
            )
        else:
            # gathered and finished here: Daft's stddev is that of a population
            held = joined.where(col("model").not_null()).select("model", "energy_out_wh").to_pydict()
            frame = pl.DataFrame(held).group_by("model").agg(
                pl.len(), pl.col("energy_out_wh").mean(), pl.col("energy_out_wh").std().alias("s")
            ).sort("model")  # fmt: skip
            return frame.rows()
    found = frame.to_pydict()
    return list(zip(*found.values(), strict=True))


ENGINES = {"polars": ask_polars, "duckdb": ask_duckdb, "daft": ask_daft}


def _check(engine: str, question: str, library: Library, place: str, options: dict[str, str]) -> None:
    began = time.process_time()
    found = ENGINES[engine](place, options, question)
    spent = time.process_time() - began
    expected = QUESTIONS[question](library)
    assert expected
    assert len(found) == len(expected)
    for got, wanted in zip(found, expected, strict=True):
        for cell, expect in zip(got, wanted, strict=True):
            assert cell == (pytest.approx(expect, rel=1e-12) if isinstance(expect, float) else expect)
    print(f"{engine} {question}: {len(found)} rows, {spent:.2f} s of processor, from {place.partition(':')[0][:2]}")


@pytest.mark.parametrize("question", QUESTIONS)
@pytest.mark.parametrize("engine", ENGINES)
def test_an_engine_gives_the_librarys_own_answer(engine: str, question: str, shared: tuple[Library, Path]) -> None:
    """From a folder."""
    library, lab = shared
    _check(engine, question, library, str(lab), {})


@pytest.fixture(scope="module")
def bucket() -> Iterator[tuple[str, dict[str, str]]]:
    """A bucket in a server of this process, and how to reach it."""
    import boto3
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    server.start()
    host, port = server.get_host_and_port()
    options = {
        "AWS_ENDPOINT_URL": f"http://{host}:{port}", "AWS_ALLOW_HTTP": "true", "AWS_REGION": "us-east-1",
        "AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test",
    }  # fmt: skip
    before = {name: os.environ.get(name) for name in options}
    os.environ.update(options)
    boto3.client("s3", endpoint_url=options["AWS_ENDPOINT_URL"], region_name="us-east-1").create_bucket(Bucket="lab")
    yield "s3://lab/joulebook", options
    server.stop()
    for name, value in before.items():
        os.environ.pop(name, None)
        if value is not None:
            os.environ[name] = value


def test_from_a_bucket_every_engine_gives_the_same(
    shared: tuple[Library, Path], bucket: tuple[str, dict[str, str]], tmp_path: Path
) -> None:
    """Shared to a bucket by both benches, asked by three engines; again with nothing new writes nothing."""
    library, _ = shared
    place, options = bucket
    other = Library.open(shutil.copytree(library.path, tmp_path / "other"))
    with other.catalogue.writer() as cursor:
        cursor.execute("UPDATE catalogue.meta SET value = value || 'y' WHERE key = 'library_uid'")
    share(library, place, "north")
    share(other, place, "south")
    assert share(library, place, "north").is_unchanged
    for engine in ENGINES:
        for question in QUESTIONS:
            _check(engine, question, library, place, options)


def test_runs_are_taken_whole_from_a_bucket(
    shared: tuple[Library, Path], bucket: tuple[str, dict[str, str]], tmp_path: Path
) -> None:
    """With their samples, exports and results; again nothing comes."""
    library, _ = shared
    place = bucket[0] + "-to-take"
    share(library, place, "north")
    mine = Library.create(tmp_path / "mine")
    took = take(mine, place)
    assert len(took.runs) == library.runs.page(limit=1).total
    assert not took.damaged
    sums = "SELECT count(*), fsum(voltage_v), fsum(power_w) FROM samples"
    assert mine.sql.run(sums).table.equals(library.sql.run(sums).table)
    assert len(list(mine.layout.originals.iterdir())) == len(list(library.layout.originals.iterdir()))
    assert mine.maintenance.verify() == []
    assert take(mine, place).runs == ()


def _ask_on_a_cluster(folder: str, lab: str) -> None:
    """In a process of its own: a process has one runner."""
    import ray
    from daft.runners import get_or_create_runner

    ray.init(num_cpus=2, include_dashboard=False, log_to_driver=False, configure_logging=False)
    try:
        daft.set_runner_ray()
        assert get_or_create_runner().name == "ray"
        for question in QUESTIONS:
            _check("daft", question, Library.open(folder), lab, {})
    finally:
        ray.shutdown()


def test_daft_on_a_ray_cluster_gives_the_same(shared: tuple[Library, Path]) -> None:
    """Two workers of a cluster that the test starts itself on this machine."""
    pytest.importorskip("ray")
    library, lab = shared
    context = multiprocessing.get_context("spawn")
    process = context.Process(target=_ask_on_a_cluster, args=(str(library.path), str(lab)))
    process.start()
    process.join()
    assert process.exitcode == 0
