"""A mark per device of all that its verdicts rest on, worked out by the engine: equal marks, equal verdicts.

Knows the catalogue's tables; makes no object of any run or result.
"""

from __future__ import annotations

import duckdb

from store.catalogue.connection import rows

__all__ = ["device_marks"]

_SQL = """
WITH of_results AS (
    SELECT run_id, bit_xor(hash(name, value, unit, uncertainty, dof, text, reason, method, method_version, from_s, to_s,
        warnings, budget, flags)) AS mark
    FROM catalogue.result WHERE is_current AND run_id IS NOT NULL GROUP BY run_id
), of_runs AS (
    SELECT device, group_id, hash(run_id, uid, device, port, mode, kind, direction, load_set, ambient_c, meter,
        group_id, quality, started_at, channels, group_offset_s, of_results.mark) AS mark
    FROM catalogue.run LEFT JOIN of_results USING (run_id)
), of_groups AS (
    SELECT group_id, bit_xor(mark) AS mark FROM of_runs WHERE group_id IS NOT NULL GROUP BY group_id
), of_devices AS (
    SELECT device, bit_xor(hash(of_runs.mark, of_groups.mark)) AS mark
    FROM of_runs LEFT JOIN of_groups USING (group_id) WHERE device IS NOT NULL GROUP BY device
), of_all AS (
    SELECT (SELECT bit_xor(hash(m)) FROM catalogue.meter m) AS meters,
        (SELECT bit_xor(hash(s)) FROM catalogue.meta s WHERE contains(key, ':')) AS settings
)
SELECT d.device, hash(d.sheet, of_devices.mark, meters, settings)
FROM catalogue.device d LEFT JOIN of_devices USING (device), of_all
"""


def device_marks(cursor: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """A mark per device that has a sheet.

    It changes with the sheet, its runs and their current results, the runs that are grouped with them, meters, and
    settings (pairs by hand are among these).
    """
    return {str(device): int(mark) for device, mark in rows(cursor, _SQL)}
