"""The validation record: every case, the program's version, what it ran on, and when. Keep it with the evidence."""

from __future__ import annotations

import platform
from dataclasses import dataclass
from datetime import datetime

import duckdb
import numpy as np

from store.validation.cases import Case
from store.validation.closed_forms import closed_form_cases
from store.validation.limits import limit_cases
from store.validation.statistics import statistics_cases
from store.validation.uncertainty import uncertainty_cases
from store.version import __version__
from store.words.clock import now_utc

__all__ = ["ValidationRecord", "validate"]


@dataclass(frozen=True, slots=True)
class ValidationRecord:
    """What was checked, when and with what."""

    checked_at: datetime
    program_version: str
    ran_on: str
    """System, Python, NumPy and DuckDB."""
    cases: tuple[Case, ...]

    @property
    def failed(self) -> tuple[Case, ...]:
        """Cases in which the program gave something else."""
        return tuple(case for case in self.cases if not case.passed)


def validate() -> ValidationRecord:
    """Run every reference case through the program; takes about a second."""
    cases = (*closed_form_cases(), *statistics_cases(), *uncertainty_cases(), *limit_cases())
    ran_on = (
        f"{platform.system()} {platform.release()} {platform.machine()}, Python {platform.python_version()}, "
        f"NumPy {np.__version__}, DuckDB {duckdb.__version__}"
    )
    return ValidationRecord(now_utc(), __version__, ran_on, cases)
