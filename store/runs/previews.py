"""What a recompute would change before it changes it: results that move and verdicts that flip.

Reads and reduces; writes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from store.devices.bench import load_bench
from store.devices.verdict_store import VerdictStore
from store.judge.claims import judge_claims
from store.judge.evidence import derive_evidence, load_evidence
from store.model.results import Result
from store.runs.recompute import ResultChange, load_records, replace_results
from store.runs.reducing import PORTION, reduce_again
from store.uncertainty.decision import Verdict

if TYPE_CHECKING:
    from store.core import Store
    from store.devices.bench import Bench

__all__ = ["RecomputePreview", "VerdictChange", "flips", "preview"]


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """A claim whose verdict would be, or was, another one."""

    device: str
    position: int
    """1-based place of the claim in its sheet."""
    claim: str
    before: str
    after: str
    reason: str
    """Of the verdict after."""
    run_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class RecomputePreview:
    """What would come out otherwise."""

    changes: tuple[ResultChange, ...]
    verdicts: tuple[VerdictChange, ...]


def flips(before: Sequence[Verdict], after: Sequence[Verdict]) -> tuple[VerdictChange, ...]:
    """Claims that are judged otherwise after than before."""
    old = {(v.device, v.position): v.verdict for v in before}
    return tuple(
        VerdictChange(v.device, v.position, v.claim, old[v.device, v.position], v.verdict, v.reason, v.run_ids)
        for v in after
        if old.get((v.device, v.position), v.verdict) != v.verdict
    )


def preview(
    library: Store,
    run_ids: Sequence[int] | None = None,
    *,
    bench: Bench | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> RecomputePreview:
    """Reduce runs again and say what would move, and which verdicts with it.

    Args:
        library: The library.
        run_ids: Which runs; all where None.
        bench: Devices, meters and constants to reduce by; the library's own where None.
        progress: Told how many runs of how many are done.
    """
    with library.catalogue.reader() as cursor:
        records = load_records(cursor, run_ids)
    changes: list[ResultChange] = []
    fresh: dict[int, Sequence[Result]] = {}
    for start in range(0, len(records), PORTION):
        told = (lambda n, _, start=start: progress(start + n, len(records))) if progress else None
        portion = reduce_again(library, records[start : start + PORTION], told, bench=bench)
        with library.catalogue.reader() as cursor:
            changes += replace_results(cursor, portion, dry_run=True)
        fresh |= {record.facts.run_id: record.reduction.results for record in portion if record.reduction}
    moved = {change.run_id for change in changes}
    after = _judged(library, {run_id: results for run_id, results in fresh.items() if run_id in moved}, bench)
    return RecomputePreview(tuple(changes), flips(library.service(VerdictStore).all(), after) if moved else ())


def _judged(library: Store, fresh: Mapping[int, Sequence[Result]], bench: Bench | None) -> list[Verdict]:
    """Every claim held against the results as they would be."""
    known = bench or load_bench(library)
    with library.catalogue.reader() as cursor:
        loaded = load_evidence(cursor)
    changed = [
        replace(run, evidence=replace(run.evidence, results={r.name: r for r in fresh[run.evidence.run_id]}))
        if run.evidence.run_id in fresh
        else run
        for run in loaded
    ]
    evidence = derive_evidence(library, changed, known.devices, known.meters)
    return [verdict for name in evidence.sheets for verdict in judge_claims(evidence.sheets[name], evidence.of(name))]
