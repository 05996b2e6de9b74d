"""Bars of a page as small SVG: value, ± as a whisker, what was promised as a line. Knows documents only.

The words beside a bar say all that it shows, so it is hidden from readers of the screen.
"""

from __future__ import annotations

from store.model.document import Bar, Bars

__all__ = ["bar_svg", "top_of"]


def top_of(block: Bars, bar: Bar) -> float:
    """The value at the right end: of all bars where they share a scale, else of this one."""
    return max(map(_reach, block.bars), default=0.0) if block.has_one_scale else _reach(bar)


def _reach(bar: Bar) -> float:
    found = bar.cell.quantity
    half = found.coverage * (found.uncertainty or 0.0) if found is not None else 0.0
    return max(abs(found.value) + half if found is not None else 0.0, bar.lower or 0.0, bar.upper or 0.0)


def bar_svg(bar: Bar, top: float) -> str:
    """The drawing; empty where there is no number.

    Args:
        bar: What is drawn.
        top: The value at the right end of the scale.
    """
    found = bar.cell.quantity
    if found is None or top <= 0:
        return ""

    def at(value: float) -> float:
        return round(min(max(value / top, 0.0), 1.0) * 196 + 2, 2)

    parts = [
        '<rect class="track" x="2" y="5" width="196" height="8"/>',
        f'<rect class="bar" x="2" y="5" width="{round(at(found.value) - 2, 2)}" height="8"/>',
    ]
    if found.uncertainty:
        half = found.coverage * found.uncertainty
        low, high = at(found.value - half), at(found.value + half)
        parts.append(f'<path class="whisker" d="M{low} 9H{high}M{low} 6V12M{high} 6V12"/>')
    parts += [f'<path class="limit" d="M{at(x)} 1V17"/>' for x in (bar.lower, bar.upper) if x is not None]
    head = '<svg class="bars" viewBox="0 0 200 18" preserveAspectRatio="none" aria-hidden="true" focusable="false">'
    return f"{head}{''.join(parts)}</svg>"
