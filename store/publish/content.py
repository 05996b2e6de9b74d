"""The content of a report: a document in parts, apart from how it looks and from when it was issued.

Knows documents only: no catalogue and no screen.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from store.documents.saved import block_of, older_blocks, plain_of
from store.model.document import Block, Document, Heading, Plot

__all__ = ["Report", "Section", "plots_of"]

FORM = 2
"""How content is kept; 1 was before pages were documents."""


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with what stands under it."""

    id: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """All that a report says, but for when it was issued."""

    title: str
    devices: tuple[str, ...]
    lang: str
    tester: str
    """Who answers for it; empty where nobody was named."""
    contact: str
    place: str
    opinions: tuple[str, ...]
    sections: tuple[Section, ...]
    run_ids: tuple[int, ...]
    tested: str = ""
    """When: a day, or the first and the last."""

    @property
    def document(self) -> Document:
        """The whole page."""
        blocks: list[Block] = []
        for section in self.sections:
            blocks += [Heading(section.title, id=section.id), *section.blocks]
        return Document(self.title, tuple(blocks))

    def as_json(self) -> str:
        """The content as canonical JSON: the same content gives the same text."""
        data = {
            "form": FORM,
            "title": self.title,
            "devices": self.devices,
            "lang": self.lang,
            "tester": self.tester,
            "contact": self.contact,
            "place": self.place,
            "opinions": self.opinions,
            "sections": [{"id": s.id, "title": s.title, "blocks": plain_of(s.blocks)} for s in self.sections],
            "run_ids": self.run_ids,
            "tested": self.tested,
        }
        return json.dumps(data, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)

    @property
    def sha256(self) -> str:
        """Hash of the content."""
        return hashlib.sha256(self.as_json().encode()).hexdigest()

    @classmethod
    def from_json(cls, text: str) -> Report:
        """The inverse of `as_json`; reads what was kept before pages were documents, too."""
        data: dict[str, Any] = json.loads(text)
        is_older = data.pop("form", 1) < FORM
        sections = tuple(
            Section(item["id"], item["title"], _older(item["blocks"]) if is_older else block_of(item["blocks"]))
            for item in data["sections"]
        )
        plain = {key: tuple(data[key]) for key in ("devices", "opinions", "run_ids")}
        return cls(**{**data, **plain, "sections": sections})


def _older(blocks: list[dict[str, Any]]) -> tuple[Block, ...]:
    return tuple(made for item in blocks for made in older_blocks(item))


def plots_of(report: Report) -> Iterator[Plot]:
    """Every plot in the order of the page."""
    return (block for section in report.sections for block in section.blocks if isinstance(block, Plot))
