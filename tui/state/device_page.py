"""The page of one device on screen: the library's finished page as lines with roles.

Knows the library's calls and records and the text that the command line prints of them; no Textual, no SQL, no
arithmetic. What both show comes from one place, so that they can't disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

from store import Library
from store.devices.records import DevicePage
from store.errors import NotFound
from tui.render.device import device_lines
from tui.render.plain import plain
from tui.state.lines import Line, line
from tui.state.look import Look

__all__ = ["DevicePageData", "page_lines", "read_page", "runs_of_claim"]

NOT_MET = "NOT MET"
TITLES_OF_CAUTION = "CAUTION:"


@dataclass(frozen=True, slots=True)
class DevicePageData:
    """What a page is made of."""

    device: str
    page: DevicePage | None
    """None where runs name a device that the library does not know otherwise."""
    runs: int

    @property
    def middle(self) -> str:
        """What the top line says of it."""
        runs = f"{self.runs} run{'' if self.runs == 1 else 's'}"
        if self.page is None or not self.page.sheet.kind:
            return f"no sheet, {runs}"
        return f"{plain(self.page.sheet.kind)}, {runs}"


def read_page(library: Library, device: str) -> DevicePageData:
    """Read what the page shows; called off the event loop."""
    try:
        page = library.device_page(device)
    except NotFound:
        quoted = '"' + device.replace('"', "") + '"'
        return DevicePageData(device, None, library.runs(f"device:{quoted}", limit=1).shown)
    return DevicePageData(device, page, page.runs)


def page_lines(data: DevicePageData, look: Look, width: int) -> list[Line]:
    """The whole page: titles in grey, what is not met and what can hurt marked, and the claims' numbers as keys."""
    if data.page is None:
        return [line(("no sheet tells of this device: e begins one", "dim"))]
    return [_with_role(text) for text in device_lines(data.page, signs=look.signs, width=width)]


def _with_role(text: str) -> Line:
    words = text.strip()
    if text and not text.startswith(" "):
        return line((text, "head"))
    if NOT_MET in text and words[:1].isdigit():
        before, _, after = text.partition(NOT_MET)
        return line(before, (NOT_MET, "warn"), after)
    return line((text, "warn")) if words.startswith(TITLES_OF_CAUTION) else line(text)


def runs_of_claim(data: DevicePageData, position: int) -> tuple[int, ...] | None:
    """The runs that a claim's verdict rests on; None where the page has no claim of that number."""
    if data.page is None:
        return None
    return next((v.run_ids for v in data.page.verdicts if v.position == position), None)
