"""What came of an invented export, in the classes of the table: right, asked, refused, left out, wrong.

`python -m tests.exports.outcomes FIRST_SEED COUNT [KIND ...]` prints the table for `forms`.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from importers import ImportRefused, inspect, read
from tests.exports.forms import KINDS, make_form
from tests.exports.generator import Export
from tests.exports.judge import Kept, _answer, differences

CLASSES = ("right", "asked, right", "asked, wrong", "refused", "left out", "wrong, warned", "wrong, silent")


def outcome_of(export: Export, folder: Path) -> tuple[str, str]:
    """Inspect and read one export, answering by its truth what is asked: the class, and why."""
    path = folder / f"{export.tier}-{export.seed}{export.suffix}"
    path.write_bytes(export.data)
    answers: dict[str, str] = {}
    asked: list[str] = []
    try:
        for _ in range(6):
            found = inspect(path, answers=answers)
            new = [q for q in found.questions if q.id not in answers]
            if not new:
                break
            for question in new:
                asked.append(question.id)
                answers[question.id] = _answer(question, export)
        sink = Kept()
        outcome = read(path, found, sink)
    except ImportRefused as refusal:
        return "asked, wrong" if asked else "refused", f"{asked} {refusal}"
    finally:
        path.unlink()
    why = differences(export, outcome, sink)
    if not why:
        return ("asked, right" if asked else "right"), str(asked or "")
    if asked:
        return "asked, wrong", f"{asked} {why}"
    wanted = set().union(*(run.channels for run in export.runs))
    held = {n for frame in sink.frames().values() for n in frame.columns if n != "t_s"}
    if "channels" in why and held < wanted:
        return "left out", why
    warned = outcome.problems or any(run.warnings for run in outcome.runs)
    return ("wrong, warned" if warned else "wrong, silent"), why


def tabulate(first: int, count: int, kinds: Iterable[str], *, told: int = 0) -> dict[str, Counter[str]]:
    """Outcomes by kind over fresh seeds; prints at most `told` cases of each kind that are not right."""
    table: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for kind in kinds:
            counts: Counter[str] = Counter()
            for seed in range(first, first + count):
                export = make_form(seed, kind)
                found, why = outcome_of(export, Path(folder))
                counts[found] += 1
                if found != "right" and counts.total() - counts["right"] <= told:
                    print(f"{seed} {kind} {found}: {why[:260]} | {' '.join(export.features)}")
            table[kind] = counts
    return table


def printed(table: dict[str, Counter[str]]) -> str:
    """The table as text."""
    lines = [f"{'kind':11}" + "".join(f"{c:>15}" for c in CLASSES)]
    lines += [f"{kind:11}" + "".join(f"{counts[c] or '.':>15}" for c in CLASSES) for kind, counts in table.items()]
    total = sum(table.values(), Counter())
    return "\n".join([*lines, f"{'all':11}" + "".join(f"{total[c] or '.':>15}" for c in CLASSES)])


if __name__ == "__main__":
    start, size = int(sys.argv[1]), int(sys.argv[2])
    print(printed(tabulate(start, size, sys.argv[3:] or list(KINDS), told=3)))
