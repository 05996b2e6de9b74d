"""Which one for my need: gates first, then a score with fixed anchors, and how firm the answer is."""

from store.choose.decide import Placed, Ranking, choose, place
from store.choose.gates import GateOutcome
from store.choose.need_reader import read_need, read_scheme
from store.choose.shares import WinShares, win_shares
from store.choose.terms import Candidate, Criterion, Gate, Need, Scheme, Term

__all__ = [
    "Candidate",
    "Criterion",
    "Gate",
    "GateOutcome",
    "Need",
    "Placed",
    "Ranking",
    "Scheme",
    "Term",
    "WinShares",
    "choose",
    "place",
    "read_need",
    "read_scheme",
    "win_shares",
]
