"""Discharges and recharges that a person pairs by hand, where the pairing by dates is wrong. Knows the catalogue."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import duckdb

from store.catalogue.amendments import Change, amend
from store.catalogue.connection import rows
from store.catalogue.settings import read_settings, write_setting
from store.errors import NotFound, WrongFact

__all__ = ["PairByHand", "move_pairs", "pairs_by_hand", "save_pair", "take_pair_away"]

GROUP = "pair"


@dataclass(frozen=True, slots=True)
class PairByHand:
    """A discharge and the recharge whose energy it is set against."""

    discharge_id: int
    recharge_id: int


def pairs_by_hand(cursor: duckdb.DuckDBPyConnection) -> tuple[PairByHand, ...]:
    """Every pair made by hand whose runs are both there."""
    found = [PairByHand(int(one), int(other)) for one, other in read_settings(cursor, GROUP).items()]
    if not found:
        return ()
    ids = [run_id for pair in found for run_id in (pair.discharge_id, pair.recharge_id)]
    sql = "SELECT run_id FROM catalogue.run WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
    there = {int(row[0]) for row in rows(cursor, sql, [ids])}
    return tuple(pair for pair in found if {pair.discharge_id, pair.recharge_id} <= there)


def save_pair(cursor: duckdb.DuckDBPyConnection, run_ids: Sequence[int], who: str, reason: str) -> PairByHand:
    """Pair a discharge with a recharge of the same device, in either order; an amendment of the discharge.

    Raises:
        NotFound: A run that isn't there.
        WrongFact: Not one discharge and one recharge of one device.
    """
    sql = "SELECT run_id, kind, device, direction FROM catalogue.run WHERE run_id IN (SELECT unnest(?::BIGINT[]))"
    found: dict[int, Any] = {int(row[0]): row for row in rows(cursor, sql, [list(run_ids)])}
    for run_id in run_ids:
        if run_id not in found:
            raise NotFound.of("run", run_id)
    kinds = {found[run_id][1]: run_id for run_id in run_ids}
    if kinds.keys() == {"efficiency"}:
        raise WrongFact(
            "Mains and port side of an adapter are one group: `joulebook group RUN RUN` lays them together."
        )
    if len(run_ids) != 2 or kinds.keys() != {"discharge", "recharge"}:
        said = ", ".join(f"run {run_id} is {found[run_id][1] or 'of no stated kind'}" for run_id in run_ids)
        raise WrongFact(f"A pair is one discharge and one recharge; {said}.")
    devices = {found[run_id][2] for run_id in run_ids}
    if len(devices) != 1 or None in devices:
        said = ", ".join(f"run {run_id} is of {found[run_id][2] or 'no stated device'}" for run_id in run_ids)
        raise WrongFact(f"Both runs of a pair are of one device; {said}.")
    pair = PairByHand(kinds["discharge"], kinds["recharge"])
    _write(cursor, pair.discharge_id, pair.recharge_id, who, reason)
    return pair


def take_pair_away(cursor: duckdb.DuckDBPyConnection, run_id: int, who: str, reason: str) -> bool:
    """Back to the pairing by dates, for a discharge or all discharges of a recharge.

    Returns:
        Whether there was a pair.
    """
    mine = [p for p in pairs_by_hand(cursor) if run_id in (p.discharge_id, p.recharge_id)]
    for pair in mine:
        _write(cursor, pair.discharge_id, None, who, reason)
    return bool(mine)


def move_pairs(cursor: duckdb.DuckDBPyConnection, old_id: int, new_id: int) -> None:
    """Pairs of a run belong to the one that takes its place."""
    for one, other in read_settings(cursor, GROUP).items():
        if str(old_id) in (one, other):
            after = [str(new_id) if value == str(old_id) else value for value in (one, other)]
            write_setting(cursor, GROUP, one, None)
            write_setting(cursor, GROUP, after[0], after[1])


def _write(
    cursor: duckdb.DuckDBPyConnection, discharge_id: int, recharge_id: int | None, who: str, reason: str
) -> None:
    key = str(discharge_id)
    before = read_settings(cursor, GROUP).get(key)
    after = None if recharge_id is None else str(recharge_id)
    if before == after:
        return
    write_setting(cursor, GROUP, key, after)
    amend(cursor, [Change("run", key, "paired with", before, after)], who, reason)
    cursor.execute("UPDATE catalogue.run SET amendment_count = amendment_count + 1 WHERE run_id = ?", [discharge_id])
