"""The description that goes beside published files: `datapackage.json` after Data Package 2.

Source: https://datapackage.org/profiles/2.0 (field lists, resources, licences); a table schema has no unit of its
own, so fields carry `unit` with a UCUM code as a further property. Knows files and JSON only.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from store.publish.tables import FORMATS, describe_fields, flat, plain_json

__all__ = ["NO_LICENCE", "hash_of", "licence_lines", "resource", "slug", "write_package"]

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
NO_LICENCE = "No licence is stated: whoever wants to reuse these data must ask the publisher."


def slug(text: str) -> str:
    """A text as a Data Package name: lower case, digits, `-`, `_` and `.`; `unnamed` where nothing is left."""
    return re.sub(r"[^a-z0-9._-]+", "-", text.lower()).strip("-.") or "unnamed"


def hash_of(path: Path) -> str:
    """SHA-256 of a file, as a Data Package writes it."""
    with path.open("rb") as file:
        return f"sha256:{hashlib.file_digest(file, 'sha256').hexdigest()}"


def resource(
    path: Path, folder: Path, form: str, table: pa.Table, extra: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """One file of the package, with its fields, size and hash."""
    shown = flat(table) if form == "csv" else table
    described: dict[str, Any] = {
        "name": slug(path.name.partition(".")[0]),
        "path": path.relative_to(folder).as_posix(),
        "format": form,
        "mediatype": FORMATS[form],
        "bytes": path.stat().st_size,
        "hash": hash_of(path),
        "schema": {"fields": describe_fields(shown), "missingValues": [""]},
        **dict(extra or {}),
    }
    if form == "csv":
        described["encoding"] = "utf-8"
    return described


def licence_lines(licence: str) -> dict[str, Any]:
    """The licence by its SPDX id, or the plain statement that there is none."""
    return {"licenses": [{"name": licence}]} if licence else {"rights": NO_LICENCE}


def write_package(folder: Path, title: str, licence: str, resources: Sequence[Mapping[str, Any]], **more: Any) -> None:
    """Write `datapackage.json`: no date of today, so that the same library gives the same bytes."""
    document = {
        "$schema": PROFILE,
        "name": slug(title),
        "title": title,
        **licence_lines(licence),
        **more,
        "resources": list(resources),
    }
    text = json.dumps(plain_json(document), ensure_ascii=False, indent=2) + "\n"
    (folder / "datapackage.json").write_text(text, encoding="utf-8", newline="\n")
