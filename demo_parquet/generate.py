"""Make the demo's data again: `python -m demo_parquet.generate`.

The same seed gives the same samples. It writes traces/, exports/, truth.json and manifest.json beside itself; the
device sheets and meters.toml are written by hand and only listed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from .bench.expectations import expected_verdicts
from .bench.exports import write_exports
from .bench.measure import SEED, Run
from .bench.packs import number_runs, write_packs
from .bench.season import DEVICES, device_runs

__all__ = ["main"]

HOME = Path(__file__).parent
SCHEMA = 1
"""Version of the manifest's and the truth's form."""


def main(arguments: list[str] | None = None) -> int:
    """Write everything; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m demo_parquet.generate", description=__doc__)
    parser.add_argument("--into", type=Path, default=HOME, help="folder to write to (default: where the data lies)")
    into: Path = parser.parse_args(arguments).into
    runs = number_runs([run for device in _said(DEVICES) for run in device_runs(device)])
    write_packs(runs, into / "traces")
    write_exports(into / "exports")
    _write_json(into / "truth.json", _truth(runs))
    _write_json(into / "manifest.json", _manifest(into))
    samples = sum(len(run.columns["t_s"]) for run in runs)
    print(f"{len(runs)} runs, {samples:,} samples", file=sys.stderr)
    return 0


def _said(devices: tuple[str, ...]) -> tuple[str, ...]:
    print(f"simulating {len(devices)} devices ...", file=sys.stderr)
    return devices


def _truth(runs: list[Run]) -> dict[str, Any]:
    """What the model knows: per run and per claim."""
    return {
        "schema": SCHEMA,
        "seed": SEED,
        "verdicts": expected_verdicts(runs, HOME / "devices"),
        "runs": [
            {"run_id": run.facts["run_id"], "uid": run.uid, "key": run.key}
            | {name: round(value, 6) for name, value in run.truth.items()}
            for run in runs
        ],
    }


def _manifest(folder: Path) -> dict[str, Any]:
    """Every data file with its size, rows (of Parquet) and SHA-256."""
    files = [
        path
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix not in {".py", ".pyc"} and path.name not in {"manifest.json", "README.md"}
    ]
    return {"schema": SCHEMA, "seed": SEED, "files": [_entry(path, folder) for path in files]}


def _entry(path: Path, folder: Path) -> dict[str, Any]:
    content = path.read_bytes()
    entry: dict[str, Any] = {"file": path.relative_to(folder).as_posix(), "bytes": len(content)}
    if path.suffix == ".parquet":
        entry["rows"] = pq.ParquetFile(path).metadata.num_rows
    return entry | {"sha256": hashlib.sha256(content).hexdigest()}


def _write_json(path: Path, content: dict[str, Any]) -> None:
    text = json.dumps(content, indent=1, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    sys.exit(main())
