"""Changes of results and of verdicts as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tui.cli.listing import print_rows
from tui.render.tables import Head

if TYPE_CHECKING:
    from collections.abc import Sequence

    from store.runs.previews import VerdictChange
    from store.runs.recompute import ResultChange
    from tui.cli.session import Session

__all__ = ["print_changes", "print_flips"]


def print_changes(session: Session, changes: Sequence[ResultChange]) -> None:
    """Results that came, or would come, out otherwise: before, now, by how much."""
    from tui.render.answers import cell

    columns = [Head("run", is_number=True), Head("result"), Head("before", is_number=True)]
    columns += [Head("now", is_number=True), Head("by", is_number=True), Head("unit"), Head("method")]
    rows: list[tuple[object, ...]] = [
        (
            *(c.run_id, c.name, cell(c.old_value), cell(c.new_value), _moved(c.old_value, c.new_value)),
            *(c.unit, _versions(c.old_version, c.new_version)),
        )
        for c in changes
    ]
    if rows:
        print_rows(session, columns, rows)
        _print_reasons(session, changes)


def _print_reasons(session: Session, changes: Sequence[ResultChange]) -> None:
    """Why they move: each method once, with how many results of it."""
    counted: dict[tuple[str, str, str], int] = {}
    for c in changes:
        key = (c.method, _versions(c.old_version, c.new_version), c.reason)
        counted[key] = counted.get(key, 0) + 1
    session.out("")
    session.out("why they move")
    columns = [
        Head("method"),
        Head("version"),
        Head("results", is_number=True),
        Head("reason", may_shrink=True),
    ]
    print_rows(session, columns, [(method, version, n, why) for (method, version, why), n in counted.items()])


def print_flips(session: Session, changes: Sequence[VerdictChange], *, verb: str) -> None:
    """Claims that are, or would be, judged otherwise."""
    if not changes:
        return
    session.out("")
    session.out(f"verdicts that {verb}")
    columns = [Head("device"), Head("claim", may_shrink=True), Head("before"), Head("after"), Head("runs")]
    columns += [Head("reason", may_shrink=True)]
    rows: list[tuple[object, ...]] = [
        (c.device, c.claim, c.before, c.after, ", ".join(map(str, c.run_ids)), c.reason) for c in changes
    ]
    print_rows(session, columns, rows)


def _moved(old: float | str | None, new: float | str | None) -> str:
    """By how much a number moved; a result that differs otherwise only has another uncertainty, span or warning."""
    if not isinstance(old, (int, float)) or not isinstance(new, (int, float)):
        return ""
    return f"{new - old:+.3g}" if new != old else "same value"


def _versions(old: int | None, new: int | None) -> str:
    """How a method's version changed, in words."""
    if old is None:
        return f"new, version {new}"
    if new is None:
        return "no longer made"
    return f"version {old}" if old == new else f"version {old} to {new}"
