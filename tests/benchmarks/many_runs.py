"""Libraries as large as a tester's whole life, made in seconds: a few imported runs, then their rows many times over.

The copies share the traces of the runs they were made from; what lists, filters and glances read is all there.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from importers.schema import Facts
from store import Library
from tests.builders import add_run, make_store, write_export

__all__ = ["library_of", "long_run"]

FIRST = 6
"""Runs that are really imported; the rest are copies of theirs."""

_NEW_FACTS = """
    run_id + {first} * n AS run_id,
    uid || '-' || n AS uid,
    'PB-' || lpad(CAST(1 + (run_id * 31 + n * 7) % 240 AS VARCHAR), 3, '0') AS device,
    ['C1', 'C2', 'A1', 'DC'][1 + (run_id + n) % 4] AS port,
    ['fixed 5 V', 'fixed 9 V', 'fixed 15 V', 'fixed 20 V', 'PPS 3.3-21 V'][1 + (run_id + n) % 5] AS mode,
    ['discharge', 'recharge', 'regulation', 'heat'][1 + (run_id * 3 + n) % 4] AS kind,
    started_at - INTERVAL 1 MINUTE * (n * 37) AS started_at,
    energy_wh * (0.5 + (n % 997) / 997.0) AS energy_wh,
    'log' || (run_id + {first} * n) || '.csv' AS source_file
"""


def library_of(folder: Path, runs: int) -> Library:
    """A library of so many runs of 240 devices.

    Args:
        folder: Where it is made.
        runs: How many; rounded down to a multiple of the few that are imported.
    """
    library = make_store(folder, runs=FIRST)
    copies = runs // FIRST - 1
    with library.catalogue.writer() as cursor:
        facts = _NEW_FACTS.format(first=FIRST)
        cursor.execute(
            f"INSERT INTO catalogue.run SELECT old.* REPLACE ({facts}) "
            f"FROM catalogue.run old, range(1, {copies + 1}) t(n)"
        )
        for table in ("preview", "result", "event"):
            cursor.execute(
                f"INSERT INTO catalogue.{table} SELECT old.* REPLACE (run_id + {FIRST} * n AS run_id) "
                f"FROM catalogue.{table} old, range(1, {copies + 1}) t(n)"
            )
    return library


def long_run(library: Library, folder: Path, samples: int) -> int:
    """Import one run of so many samples at 100 Hz, with a dropout of one sample; gives its number."""
    rng = np.random.default_rng(1)
    t_s = 0.01 * np.arange(samples)
    voltage = 20 + 0.01 * rng.standard_normal(samples)
    voltage[samples // 3] = 0.2
    current = np.full(samples, 1.5)
    frame = pl.DataFrame(
        {"t_s": t_s, "voltage_v": voltage, "current_a": current, "power_w": voltage * current,
         "temperature_c": 22 + 20 * (1 - np.exp(-t_s / 9000))}
    )  # fmt: skip
    facts = Facts(device="PB-01", port="C1", mode="fixed 20 V", kind="discharge", load="30 W", ambient_c=22.0)
    return add_run(library, write_export(folder, "long.csv"), frame, facts=facts).run_ids[0]
