"""SQL by which an adapter's efficiencies are got again from the samples of both sides. Knows SQL text and evidence."""

from __future__ import annotations

from collections.abc import Sequence

from store.judge.measured import RunEvidence
from store.methods.adapter import AVERAGED, SHARES
from store.model.document import Sql

__all__ = ["average_sql", "efficiency_queries", "points_sql"]


def points_sql(run: RunEvidence) -> str:
    """Efficiency at each load step of a run of the DC side; empty where it has none.

    The spans are those that the method found: the settled part of each step, on the DC run's own time.
    """
    found = [(share, run.results.get(f"efficiency_{round(100 * share)}_percent")) for share in SHARES]
    steps = [(share, r) for share, r in found if r is not None and r.value is not None]
    mains = next((runs[0] for name, runs in run.also.items() if name.startswith("efficiency") and runs), None)
    if not steps or mains is None:
        return ""
    listed = ", ".join(f"({share}, {result.from_s!r}, {result.to_s!r})" for share, result in steps)
    out, into = run.run_id, mains
    return (
        f"WITH step(share, from_s, to_s) AS (VALUES {listed}),\n"
        f"clock AS (SELECT run_id, coalesce(group_offset_s, epoch(started_at), 0) AS at_s FROM runs\n"
        f"  WHERE run_id IN ({out}, {into})),\n"
        f"shift AS (SELECT a.at_s - d.at_s AS s FROM clock a, clock d WHERE a.run_id = {into} AND d.run_id = {out}),\n"
        "side AS (\n"
        "  SELECT 'out' AS way, t_s AS t, coalesce(voltage_v * current_a, power_w) AS p\n"
        f"  FROM samples WHERE run_id = {out}\n"
        f"  UNION ALL SELECT 'in', t_s + s, power_w FROM samples, shift WHERE run_id = {into}),\n"
        "inside AS (SELECT way, share, t, p, lead(t) OVER later AS t2, lead(p) OVER later AS p2\n"
        "  FROM side JOIN step ON t BETWEEN from_s AND to_s WHERE p IS NOT NULL\n"
        "  WINDOW later AS (PARTITION BY way, share ORDER BY t)),\n"
        "mean AS (SELECT way, share, sum((p + p2) / 2 * (t2 - t)) / sum(t2 - t) AS w\n"
        "  FROM inside WHERE t2 IS NOT NULL GROUP BY ALL)\n"
        "SELECT o.share, o.w AS out_w, i.w AS in_w, o.w / i.w AS efficiency\n"
        "FROM mean o JOIN mean i USING (share) WHERE o.way = 'out' AND i.way = 'in' ORDER BY share"
    )


def average_sql(run: RunEvidence) -> str:
    """The mean of the four efficiencies from 25 % up; empty where a step is missing."""
    inner = points_sql(run)
    if not inner or any(f"({share}, " not in inner for share in AVERAGED):
        return ""
    return f"SELECT avg(efficiency) AS value FROM (\n{inner}\n) WHERE share >= {AVERAGED[0]}"


def efficiency_queries(device: str, runs: Sequence[RunEvidence]) -> tuple[Sql, ...]:
    """The points of every mode in which both sides were logged."""
    return tuple(
        Sql(f"efficiency of {device} over the load, {run.condition()}", sql) for run in runs if (sql := points_sql(run))
    )
