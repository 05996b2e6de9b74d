"""The page of one device on screen: what the library knows of it, as a document.

Knows the library's calls and records; no Textual, no SQL, no arithmetic. The command line prints the same document.
"""

from __future__ import annotations

from dataclasses import dataclass

from store import Library
from store.devices.records import DevicePage
from store.documents.device import device_document
from store.errors import NotFound
from store.model.document import Document, Manner, Paragraph
from tui.render.plain import plain

__all__ = ["DevicePageData", "page_document", "read_page", "runs_of_claim"]


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
        page = library.devices.page(device)
    except NotFound:
        quoted = '"' + device.replace('"', "") + '"'
        return DevicePageData(device, None, library.runs.page(f"device:{quoted}", limit=1).shown)
    return DevicePageData(device, page, page.runs)


def page_document(data: DevicePageData) -> Document:
    """The whole page; of a device without a sheet and without runs what to do."""
    if data.page is None:
        told = Paragraph("no sheet describes this device yet: e adds one", Manner.NOTE)
        return Document(data.device, (told,))
    return device_document(data.page)


def runs_of_claim(data: DevicePageData, position: int) -> tuple[int, ...] | None:
    """The runs that a claim's verdict rests on; None where the page has no claim of that number."""
    if data.page is None:
        return None
    return next((v.run_ids for v in data.page.verdicts if v.position == position), None)
