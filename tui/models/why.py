"""How one result came about, as lines: formula, inputs, uncertainty budget, SQL that gets it again.

Knows `Result` and text; no Textual, no arithmetic of its own.
"""

from __future__ import annotations

from store.results.base import Result
from tui import format as fmt
from tui.models.lines import Line, line
from tui.models.look import Look
from tui.models.words import result_words
from tui.plain import fit, plain

__all__ = ["why_lines"]


def why_lines(result: Result, look: Look, width: int, *, sql: str = "") -> list[Line]:
    """The account of a result, and the statement that gets it again in any DuckDB."""
    ascii_only, signs = look.is_ascii, look.signs
    value = fmt.reading(
        result.value, result.uncertainty, result.unit, signs=signs, missing=result.text or signs.missing
    )
    lines: list[Line] = [
        line((result_words(result.name), "head"), f"  {plain(value, ascii_only=ascii_only)}"),
        line((plain(f"{result.name}, {result.method}, version {result.method_version}"), "dim")),
        (),
    ]
    if result.formula:
        lines += [line(plain(part, ascii_only=ascii_only)) for part in _wrapped(result.formula, width)]
    if result.from_s is not None and result.to_s is not None:
        lines.append(line(("over ", "dim"), f"{fmt.clock_time(result.from_s)} to {fmt.clock_time(result.to_s)}"))
    for text in (*result.warnings, *([result.reason] if result.reason else [])):
        lines += [line(("! " + plain(part, ascii_only=ascii_only), "warn")) for part in _wrapped(text, width - 2)]
    if result.inputs:
        lines += [(), line(("it rests on", "head"))]
        for name, found in result.inputs.items():
            shown = f"{found:.6g}" if isinstance(found, float) else str(found)
            lines.append(
                line((fit(plain(name, ascii_only=ascii_only), 30), "dim"), plain(shown, ascii_only=ascii_only))
            )
    lines += _budget_lines(result, look)
    if sql:
        lines += [(), line(("the same from the Parquet alone, in any DuckDB", "head"))]
        lines += [line(plain(part, ascii_only=ascii_only)) for part in sql.splitlines()]
    return lines


def _budget_lines(result: Result, look: Look) -> list[Line]:
    ascii_only, signs = look.is_ascii, look.signs
    if not result.budget:
        return []
    unit = signs.unit(result.unit)
    lines: list[Line] = [(), line((f"uncertainty, standard, in {unit or 'the same'}", "head"))]
    total = result.uncertainty or 0.0
    for part in sorted(result.budget, key=lambda c: -c.standard_uncertainty):
        share = f"{part.standard_uncertainty**2 / total**2:.0%}" if total else ""
        lines.append(
            line(
                (fit(plain(part.name, ascii_only=ascii_only), 24), "dim"),
                fit(f"{part.standard_uncertainty:.2g}", 12),
                (fit(share, 6), ""),
                (fit(f"type {part.kind} {part.distribution}", 22), "dim"),
                (plain(part.detail, ascii_only=ascii_only), "dim"),
            )
        )
    if total:
        lines.append(
            line(
                (fit("together", 24), "dim"),
                f"{total:.2g}   times {fmt.COVERAGE:g} = {fmt.COVERAGE * total:.2g} {unit}",
            )
        )
    return lines


def _wrapped(text: str, width: int) -> list[str]:
    words, lines = text.split(), [""]
    for word in words:
        if len(lines[-1]) + len(word) + 1 > max(width, 20) and lines[-1]:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
