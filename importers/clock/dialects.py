"""Dates, times and durations as people and programs write them beyond ISO 8601, brought to plain digits.

Knows notation only. `tidy` works on one text, `tidied` on a column, by the same rules in the same order. A rule changes
nothing where it does not fit, so a text that stays odd stays unread.
"""

from __future__ import annotations

import re
import tomllib
from functools import lru_cache
from importlib import resources
from typing import Any

import polars as pl

__all__ = ["DAY_PARTS", "is_dotted_time", "names_of_clocks", "parted", "tidied", "tidy", "undotted"]

_SPACES = "[\u00a0\u2009\u202f\u2007\u3000]"
_GAP = r"[\s\-/.,]*"

DAY_PARTS = (
    r"(?i)^\s*P?T?(?:(\d+)\s*(?:d|days?|j|jours?|tage?|t|dni|д|дн|сут|天|日|일|gün)[.,]?\s*)?T?"
    r"(?:(\d+)\s*(?:h|hr|hrs|hours?|std|stunden?|godz|hod|ч|час|часа|часов|год|时|小时|時間|時|시간|시|sa|uur|ore|tim)[.,:]?\s*)?"
    r"(?:(\d+)\s*(?:m|min|mins|minutes?|минут|мин|хв|分|分钟|분|dk|perc|[\u2032'])[.,:]?\s*)?"
    r"(?:(\d+(?:[.,]\d+)?)\s*(?:s|sec|secs|seconds?|sek|seg|sn|с|сек|秒|초|mp|[\u2033\"])\.?)?\s*$"
)
"""`1h 2m 3s`, `2 min 5 s`, `P0DT1H2M3S` (ISO 8601): days, hours, minutes, seconds."""


@lru_cache(maxsize=1)
def names_of_clocks() -> dict[str, Any]:
    """Names of months, of halves of a day and of parts of clocks: `names.toml`."""
    return tomllib.loads((resources.files("importers.clock") / "names.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def _rules() -> tuple[tuple[bool, str, str], ...]:
    """Whether a rule is about a month, its pattern and replacement (`$1`): such as Python and Polars read alike."""
    names = names_of_clocks()
    am, pm = (
        "|".join(re.escape(w) for w in sorted(names["half_day"][half], key=len, reverse=True)) for half in ("am", "pm")
    )
    rules: list[tuple[str, str]] = [
        (_SPACES, " "),
        # halves of a day: behind the time, as AM and PM
        (rf"(?i)^(.*?)\s*(?:{am})\s*(\d.*)$", "$1 $2 AM"),
        (rf"(?i)^(.*?)\s*(?:{pm})\s*(\d.*)$", "$1 $2 PM"),
        (rf"(?i)^(.*\d)\s*(?:{am})$", "$1 AM"),
        (rf"(?i)^(.*\d)\s*(?:{pm})$", "$1 PM"),
        (r"(?i)^(.*\d)\s*([ap])\.?\s*m\.?$", "$1 $2M"),
        (r"(?i)\s+(?:utc|gmt)$", "Z"),
        # year, month and day signs
        (r"(\d{4})\s*[年년]\s*(\d{1,2})\s*[月월]\s*(\d{1,2})\s*[日일号]?", "$1-$2-$3 "),
        (r"(\d{1,2})\s*[時时点點시]\s*(\d{1,2})\s*[分분]\s*(\d{1,2}(?:\.\d+)?)\s*[秒초]", "$1:$2:$3"),
        (r"(\d{1,2})\s*[時时点點시]\s*(\d{1,2})\s*[分분]", "$1:$2"),
        (r"[(（][^()（）\d]*[)）]", " "),
        (r"^(\d{4})\.\s+(\d{1,2})\.\s+(\d{1,2})\.?(\s|$)", "$1-$2-$3$4"),
    ]
    weekdays = "|".join(sorted(names["between"]["weekdays"], key=len, reverse=True))
    rules.append((rf"(?i)^(?:{weekdays})\.?,?\s+(\S)", "$1"))
    words = "|".join(re.escape(w) for w in sorted(names["between"]["words"], key=len, reverse=True))
    rules.append((rf"(?i)([\s\d,])(?:{words})(?:\.|\b)([\s,]|$)", "$1 $2"))
    rules.append((rf"(?i)([\s\d,])(?:{words})(?:\.|\b)([\s,]|$)", "$1 $2"))
    by_month: list[set[str]] = [set() for _ in range(12)]
    for language in names["months"].values():
        for number, spelled in enumerate(language):
            by_month[number].update(spelled)
    first_month = len(rules)
    for number, spelled in enumerate(by_month, 1):
        one = "|".join(sorted((re.escape(w) for w in spelled), key=len, reverse=True))
        month = f"{number:02d}"
        rules += [
            # 14 May 2026 10:00, 14-May-26, 14. Mai 2026, 10:00
            (
                rf"(?i)^(\d{{1,2}})(?:\.|st|nd|rd|th)?{_GAP}(?:{one})\b{_GAP}(\d{{4}})\b[\s,.]*(.*)$",
                f"$2-{month}-$1 $3",
            ),
            (rf"(?i)^(\d{{1,2}})[\s\-](?:{one})[\s\-](\d{{2}})\b,?\s*(.*)$", f"20$2-{month}-$1 $3"),
            # May 14, 2026 10:00; May 14 10:00:00 2026
            (rf"(?i)^(?:{one})\b{_GAP}(\d{{1,2}})(?:st|nd|rd|th)?{_GAP}\s(\d{{4}})\b[\s,.]*(.*)$", f"$2-{month}-$1 $3"),
            (rf"(?i)^(?:{one})\b{_GAP}(\d{{1,2}})\s+(\d{{1,2}}:\d{{2}}:\d{{2}})\s+(\d{{4}})$", f"$3-{month}-$1 $2"),
            (rf"(?i)^(\d{{4}}){_GAP}(?:{one})\b{_GAP}(\d{{1,2}})\b[\s,.]*(.*)$", f"$1-{month}-$2 $3"),
        ]
    last_month = len(rules)
    rules += [
        # stamps of digits alone
        (r"^(\d{4})(\d{2})(\d{2})[ _\-T]?(\d{2})(\d{2})(\d{2})([.,]\d+)?(Z?)$", "$1-$2-$3 $4:$5:$6$7$8"),
        (r"^(\d{4})(\d{2})(\d{2})[ _\-T](\d{2}:\d{2}.*)$", "$1-$2-$3 $4"),
        (r"^(\d{4}[\-/.]\d{1,2}[\-/.]\d{1,2})_(\d)", "$1 $2"),
        # hours with h, and points within the time
        (r"(?i)([\s,])(\d{1,2})\s?h\s?(\d{2})\s?(?:m|min|')\s?(\d{2})\s?(?:s|sec|\")?$", "$1$2:$3:$4"),
        (r"(?i)([\s,])(\d{1,2})\s?h\s?(\d{2})\s?(?:m|min|')?$", "$1$2:$3"),
        (r"(\d[\s,T]+)(\d{1,2})\.(\d{2})\.(\d{2})([.,]\d+)?( [AP]M)?$", "$1$2:$3:$4$5$6"),
        (r"(\d{4}|\d{2}\.|\d-\d{1,2})([\s,T]+)(\d{1,2})\.(\d{2})$", "$1$2$3:$4"),
        (r"^(\d{4}-\d{1,2}-\d{1,2}),\s*", "$1 "),
        (r"\s{2,}", " "),
        (r"^\s+|[\s,]+$", ""),
    ]
    return tuple((first_month <= at < last_month, *rule) for at, rule in enumerate(rules))


@lru_cache(maxsize=1)
def _compiled() -> tuple[tuple[re.Pattern[str], str], ...]:
    return tuple((re.compile(pattern), re.sub(r"\$(\d)", r"\\g<\1>", by)) for _, pattern, by in _rules())


def tidy(text: str) -> str:
    """Bring one date or time to `2026-05-14 10:00:00` as far as the rules reach."""
    for pattern, by in _compiled():
        text = pattern.sub(by, text)
    return text


def tidied(column: pl.Series) -> pl.Series:
    """Bring a column of dates or times to plain digits, by the same rules."""
    text = column.str.strip_chars(" \t\r\"'")
    sample = [t for t in text.head(50).to_list() if t]
    # the 60 rules of months cost most: they are kept where one of them fits
    is_named = any(re.search(r"[^\W\d_]{3,}", t) for t in sample)
    for is_month, pattern, by in _rules():
        if is_named or not is_month:
            text = text.str.replace_all(pattern, re.sub(r"\$(\d)", r"${\1}", by))
    return text


_DOTTED = re.compile(r"^(\d{1,3})\.(\d{1,2})\.(\d{2})(?:[.,](\d{1,3}))?$")


def is_dotted_time(texts: list[str]) -> bool:
    """Tell `10.00.05` from `14.05.26`: of a time the last part changes, of a date in one log the first."""
    found = [m for m in (_DOTTED.match(t.strip().strip('"')) for t in texts if t.strip()) if m]
    if len(found) < 2 or len(found) < 0.9 * sum(bool(t.strip()) for t in texts):
        return False
    last = {m[3] for m in found}
    minutes = {m[2] for m in found}
    fits = all(int(m[2]) < 60 and int(m[3]) < 60 for m in found)
    return fits and (
        len(last) > 2
        or any(int(m) > 12 or int(m) == 0 for m in minutes)
        or (len(last) > 1 and len({m[1] for m in found}) == 1)
    )


def undotted(column: pl.Series) -> pl.Series:
    """Put colons for the points of times."""
    text = column.str.strip_chars(" \t\r\"'")
    return text.str.replace(r"^(\d{1,3})\.(\d{1,2})\.(\d{2})", "${1}:${2}:${3}")


def parted(column: pl.Series) -> pl.Series:
    """Seconds of durations written with letters, such as `1h 2m 3s`; NULL where a cell is none."""
    text = column.str.strip_chars(" \t\r")
    groups = text.str.extract_groups(DAY_PARTS).struct.unnest()
    found = pl.zeros(len(text), eager=True)
    good = pl.Series([False]).new_from_index(0, len(text)) if len(text) else pl.Series([], dtype=pl.Boolean)
    for at, size in enumerate((86400.0, 3600.0, 60.0, 1.0)):
        part = groups.to_series(at).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        good = good | part.is_not_null()
        found = found + part.fill_null(0.0) * size
    return pl.select(pl.when(good).then(found)).to_series()
