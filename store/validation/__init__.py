"""Published reference cases run through this very program, and the dated record of it.

Knows the results and plain data; no library, no file.
"""

from store.validation.cases import Case
from store.validation.record import ValidationRecord, validate

__all__ = ["Case", "ValidationRecord", "validate"]
