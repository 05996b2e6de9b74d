"""What `choose` and `rate` share."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tui.cli.listing import print_document
from tui.cli.session import Session, fail

if TYPE_CHECKING:
    from store.choose import Ranking, Scheme

__all__ = ["choice_data", "print_choice", "read_need", "scheme_of"]


def scheme_of(path: Path) -> Scheme:
    """The rating scheme that a file holds."""
    from store.choose import read_scheme

    return read_scheme(read_need(path), source=path.name)


def read_need(path: Path) -> str:
    """The text of a file with a need or a scheme."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        fail(f"{path} is not UTF-8 text.")


def print_choice(session: Session, choice: Ranking, *, as_json: bool) -> None:
    """An answer to a need on standard output."""
    if as_json:
        session.document(choice_data(choice))
        return
    from store.documents.choice import choice_document

    print_document(session, choice_document(choice))


def choice_data(choice: Ranking) -> dict[str, Any]:
    """What `choose --json` prints."""
    shares = choice.shares
    return {
        "need": choice.need.title,
        "scheme": choice.need.scheme,
        "answer": choice.answer,
        "gates": [asdict(outcome) for outcome in choice.outcomes],
        "shut_out": list(choice.shut_out),
        "criteria": [
            {"title": c.title, "quantity": c.term.quantity, "unit": c.unit, "worst": c.worst, "best": c.best,
             "weight": c.weight} for c in choice.need.criteria
        ],
        "placed": [
            {
                "device": p.candidate.device,
                "score": p.score.value,
                "uncertainty": p.score.uncertainty,
                "geometric": p.geometric,
                "rank": [p.rank.best, p.rank.worst],
                "dominated_by": list(p.dominated_by),
                "unsure": list(p.unsure),
                "values": [
                    {"title": c.title, "value": v.value, "uncertainty": v.uncertainty, "share": share,
                     "run_ids": list(v.run_ids)}
                    for c, share in zip(choice.need.criteria, p.shares, strict=True)
                    for v in (p.candidate.values[c.term],)
                ],
                "first_near": shares.first(p.candidate.device) if shares else 1.0,
                "first_any": shares.any_weights[shares.devices.index(p.candidate.device)][0] if shares else 1.0,
            }
            for p in choice.placed
        ],
        "not_weighed": [{"device": device, "reason": reason} for device, reason in choice.no_value],
        "break_even": [asdict(even) for even in choice.break_evens],
        "notes": list(choice.notes),
    }  # fmt: skip
