"""The page of one device: what the library tells of it, as lines of text.

Knows the library's calls and records; no Textual, no SQL, no arithmetic.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from store import Library
from store.errors import NotFound
from store.sheets import ClaimSheet, DeviceSheet
from tui import format as fmt
from tui.models.lines import Line, line
from tui.models.look import Look
from tui.models.words import result_words
from tui.plain import fit, plain

__all__ = ["DevicePageData", "page_lines", "read_page"]


@dataclass(frozen=True, slots=True)
class DevicePageData:
    """What a page is made of."""

    device: str
    sheet: DeviceSheet | None
    runs: tuple[Mapping[str, Any], ...]
    verdicts: tuple[Mapping[str, Any], ...]

    @property
    def middle(self) -> str:
        """What the top line says of it."""
        runs = f"{len(self.runs)} run{'' if len(self.runs) == 1 else 's'}"
        if self.sheet is None:
            return f"no sheet, {runs}"
        return f"{plain(self.sheet.kind)}, {runs}"


def read_page(library: Library, device: str) -> DevicePageData:
    """Read what the page shows; called off the event loop."""
    try:
        sheet = library.device(device)
    except NotFound:
        sheet = None
    quoted = '"' + device.replace('"', "") + '"'
    page = library.runs(f"device:{quoted}", sort="started_at", limit=1000)
    verdicts = [v for v in library.verdict_table().to_pylist() if v["device"] == device]
    return DevicePageData(device, sheet, tuple(page.table.to_pylist()), tuple(verdicts))


def page_lines(data: DevicePageData, look: Look, width: int) -> list[Line]:
    """The whole page."""
    lines: list[Line] = []
    if data.sheet is not None:
        lines += _figures(data.sheet, look)
        lines += [(), *_claims(data, data.sheet, look, width)]
    lines += [(), *_course(data, look)]
    return lines


def _figures(sheet: DeviceSheet, look: Look) -> list[Line]:
    def told(value: float | None, unit: str) -> str:
        return "" if value is None else f"{fmt.significant(value, 4)} {unit}"

    pairs = [
        ("maker", f"{sheet.maker} {sheet.model}".strip()),
        ("serial", sheet.serial),
        ("rated", "  ".join(filter(None, (told(sheet.capacity_mah, "mAh"), told(sheet.cell_voltage_v, "V"),
                                           told(sheet.rated_energy_wh, "Wh"), told(sheet.output_w, "W"))))),
        ("mass", told(sheet.mass_g, "g")),
        ("size", " x ".join(f"{v:g}" for v in (sheet.length_mm, sheet.width_mm, sheet.height_mm) if v is not None)),
        ("price", f"{sheet.price:.2f} {sheet.currency}" if sheet.price is not None else ""),
        ("ports", "  ".join(f"{p.name} {p.connector} {p.direction}" for p in sheet.ports)),
        ("note", sheet.note),
    ]  # fmt: skip
    shown = [(name, plain(value, ascii_only=look.is_ascii)) for name, value in pairs if value]
    return [line((fit(name, 10), "dim"), value) for name, value in shown]


def _claims(data: DevicePageData, sheet: DeviceSheet, look: Look, width: int) -> list[Line]:
    if not sheet.claims:
        return [line(("no claims on its sheet", "dim"))]
    wide = (max(min(width - 62, 36), 18), 12, 24, 20)
    heads = ("claim", "printed on", "measured", "verdict")
    lines = [line(*(((fit(h, w) + "  "), "head") for h, w in zip(heads, wide, strict=True)))]
    for claim in sheet.claims:
        found = _verdict_of(data, claim)
        words = claim_words(claim)
        measured, verdict = _measured(found, look), str(found["verdict"]) if found else "not tested"
        role = {"met": "accent", "not met": "warn"}.get(verdict, "")
        cells = (plain(words, ascii_only=look.is_ascii), plain(claim.printed_on), measured)
        lines.append(line(*((fit(c, w) + "  ", "") for c, w in zip(cells, wide, strict=False)), (verdict, role)))
        if found and found.get("reason"):
            lines.append(line(("    " + plain(found["reason"], ascii_only=look.is_ascii), "dim")))
    return lines


def claim_words(claim: ClaimSheet) -> str:
    """A claim in words: `delivered at least 48 Wh at C1, 30 W`."""
    if claim.text:
        return claim.text
    value = claim.value_text or (f"{claim.value:g} {claim.unit}" if claim.value is not None else "")
    where = ", ".join(p for p in (claim.port, claim.mode, claim.load) if p)
    return " ".join(p for p in (result_words(claim.quantity), claim.bound, value, f"({where})" if where else "") if p)


def _verdict_of(data: DevicePageData, claim: ClaimSheet) -> Mapping[str, Any] | None:
    words = claim_words(claim)
    return next((v for v in data.verdicts if v.get("claim") in {words, claim.quantity, claim.text}), None)


def _measured(found: Mapping[str, Any] | None, look: Look) -> str:
    if not found or found.get("measured") is None:
        return look.signs.missing
    return fmt.reading(found["measured"], found.get("uncertainty"), found.get("unit") or "", signs=look.signs)


def _course(data: DevicePageData, look: Look) -> list[Line]:
    """Kinds of test down, ports and modes across; how many runs of each."""
    places = list(dict.fromkeys((r["port"] or "", r["mode"] or "") for r in sorted(data.runs, key=_by_place)))
    kinds = list(dict.fromkeys(r["kind"] or "" for r in data.runs))
    if not places:
        return [line(("no runs yet", "dim"))]
    heads = [plain(f"{port} {mode}".strip() or "-", ascii_only=look.is_ascii) for port, mode in places]
    wide = [min(max(len(h), 4), 16) for h in heads]
    lines = [line((fit("course", 14), "head"), *((fit(h, w) + "  ", "dim") for h, w in zip(heads, wide, strict=True)))]
    for kind in kinds:
        parts: list[str | tuple[str, str]] = [fit(plain(kind), 14)]
        for (port, mode), w in zip(places, wide, strict=True):
            mine = [r for r in data.runs if (r["kind"] or "", r["port"] or "", r["mode"] or "") == (kind, port, mode)]
            parts += [(fit(_sign(mine, look), w), "accent" if mine else "dim"), "  "]
        lines.append(line(*parts))
    done, todo = look.signs.picked, look.signs.unpicked
    lines += [(), line((f"{done} done   ~ suspect   {todo} none yet", "dim"))]
    return lines


def _by_place(row: Mapping[str, Any]) -> tuple[str, str]:
    return row["port"] or "", row["mode"] or ""


def _sign(runs: list[Mapping[str, Any]], look: Look) -> str:
    if not runs:
        return look.signs.unpicked
    sign = look.signs.picked if any(r["quality"] == "ok" for r in runs) else "~"
    return sign if len(runs) == 1 else f"{sign} {len(runs)}"
