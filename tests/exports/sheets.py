"""Writers of workbooks for invented exports: .xlsx, .ods, .xls, and a table in HTML; the least that readers accept.

Written from the published formats: ECMA-376 (SpreadsheetML), OASIS OpenDocument 1.3, [MS-XLS] and [MS-CFB].
"""

from __future__ import annotations

import io
import random
import struct
import zipfile
from html import escape

Sheets = list[tuple[str, list[list[float | str]]]]


def _letters(column: int) -> str:
    found = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        found = chr(65 + rest) + found
    return found


def xlsx(sheets: Sheets) -> bytes:
    """Office Open XML with inline strings."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        kinds = "".join(
            f'<Override PartName="/xl/worksheets/s{i}.xml" ContentType="application/vnd.openxmlformats-officedocument.'
            'spreadsheetml.worksheet+xml"/>'
            for i in range(len(sheets))
        )
        file.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{package}/content-types"><Default Extension="rels" ContentType="application/vnd.openxml'
            'formats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override '
            'PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.'
            f'sheet.main+xml"/>{kinds}</Types>',
        )
        file.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="r" Type="{rel}/officeDocument" '
            'Target="xl/workbook.xml"/></Relationships>',
        )
        named = "".join(f'<sheet name="{escape(n)}" sheetId="{i + 1}" r:id="r{i}"/>' for i, (n, _) in enumerate(sheets))
        file.writestr(
            "xl/workbook.xml", f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets>{named}</sheets></workbook>'
        )
        links = "".join(
            f'<Relationship Id="r{i}" Type="{rel}/worksheet" Target="worksheets/s{i}.xml"/>' for i in range(len(sheets))
        )
        file.writestr(
            "xl/_rels/workbook.xml.rels", f'<Relationships xmlns="{package}/relationships">{links}</Relationships>'
        )
        for i, (_, rows) in enumerate(sheets):
            body = []
            for r, row in enumerate(rows, 1):
                cells = "".join(
                    f'<c r="{_letters(c)}{r}"><v>{v!r}</v></c>'
                    if isinstance(v, float)
                    else f'<c r="{_letters(c)}{r}" t="inlineStr"><is><t>{escape(v)}</t></is></c>'
                    for c, v in enumerate(row)
                )
                body.append(f'<row r="{r}">{cells}</row>')
            file.writestr(
                f"xl/worksheets/s{i}.xml",
                f'<worksheet xmlns="{main}"><sheetData>{"".join(body)}</sheetData></worksheet>',
            )
    return out.getvalue()


def ods(sheets: Sheets) -> bytes:
    """OpenDocument spreadsheet."""
    space = "urn:oasis:names:tc:opendocument:xmlns"
    tables = []
    for name, rows in sheets:
        body = []
        for row in rows or [[""]]:
            cells = "".join(
                f'<table:table-cell office:value-type="float" office:value="{v!r}"><text:p>{v!r}</text:p>'
                "</table:table-cell>"
                if isinstance(v, float)
                else f'<table:table-cell office:value-type="string"><text:p>{escape(v)}</text:p></table:table-cell>'
                if v
                else "<table:table-cell/>"
                for v in row
            )
            body.append(f"<table:table-row>{cells or '<table:table-cell/>'}</table:table-row>")
        tables.append(f'<table:table table:name="{escape(name)}">{"".join(body)}</table:table>')
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content xmlns:office="{space}:office:1.0" '
        f'xmlns:table="{space}:table:1.0" xmlns:text="{space}:text:1.0" office:version="1.3"><office:body>'
        f"<office:spreadsheet>{''.join(tables)}</office:spreadsheet></office:body></office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet", zipfile.ZIP_STORED)
        file.writestr("content.xml", content)
        file.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest xmlns:manifest="{space}:manifest:1.0" manifest:version="1.3"><manifest:file-entry '
            'manifest:full-path="/" manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>'
            '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/>'
            "</manifest:manifest>",
        )
    return out.getvalue()


def _record(kind: int, body: bytes = b"") -> bytes:
    return struct.pack("<HH", kind, len(body)) + body


def _bof(kind: int) -> bytes:
    return _record(0x0809, struct.pack("<HHHHII", 0x0600, kind, 0x0DBB, 0x07CC, 0, 6))


def xls(sheets: Sheets) -> bytes:
    """BIFF8 in a compound file, the form of workbooks until 2003."""
    parts = []
    for _, rows in sheets:
        body = [_bof(0x0010)]
        width = max((len(row) for row in rows), default=0)
        body.append(_record(0x0200, struct.pack("<IIHHH", 0, len(rows), 0, width, 0)))
        for r, row in enumerate(rows):
            for c, value in enumerate(row):
                if isinstance(value, float):
                    body.append(_record(0x0203, struct.pack("<HHHd", r, c, 0, value)))
                elif value:
                    text = value.encode("utf-16-le")
                    body.append(_record(0x0204, struct.pack("<HHHHB", r, c, 0, len(value), 1) + text))
        body.append(_record(0x000A))
        parts.append(b"".join(body))
    names = [n.encode("utf-16-le") for n, _ in sheets]
    head_size = len(_bof(5)) + sum(4 + 8 + len(n) for n in names) + 4
    at, bounds = head_size, []
    for name, part in zip(names, parts, strict=True):
        bounds.append(_record(0x0085, struct.pack("<IHBB", at, 0, len(name) // 2, 1) + name))
        at += len(part)
    return _compound(_bof(5) + b"".join(bounds) + _record(0x000A) + b"".join(parts))


def _compound(stream: bytes) -> bytes:
    """Put one stream named Workbook into a compound file of 512-byte sectors."""
    stream = stream.ljust(4096, b"\0")  # shorter ones would belong into the mini stream
    count = -(-len(stream) // 512)
    fat_count = 1
    while fat_count * 128 < count + 1 + fat_count:
        fat_count += 1
    fat = [0xFFFFFFFD] * fat_count + [0xFFFFFFFE]
    first = fat_count + 1
    fat += [first + i + 1 for i in range(count - 1)] + [0xFFFFFFFE]
    fat += [0xFFFFFFFF] * (fat_count * 128 - len(fat))
    header = bytes.fromhex("D0CF11E0A1B11AE1") + bytes(16) + struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + bytes(6)
    header += struct.pack("<IIIIIIIII", 0, fat_count, fat_count, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
    header += struct.pack("<109I", *range(fat_count), *[0xFFFFFFFF] * (109 - fat_count))

    def entry(name: str, kind: int, child: int, start: int, size: int) -> bytes:
        text = (name + "\0").encode("utf-16-le")
        body = text.ljust(64, b"\0") + struct.pack(
            "<HBBIII", len(text) if name else 0, kind, 1, *[0xFFFFFFFF] * 2, child
        )
        return body + bytes(36) + struct.pack("<IQ", start, size)

    folder = entry("Root Entry", 5, 1, 0xFFFFFFFE, 0) + entry("Workbook", 2, 0xFFFFFFFF, first, len(stream))
    sectors = struct.pack(f"<{len(fat)}I", *fat) + folder.ljust(512, b"\0") + stream.ljust(count * 512, b"\0")
    return header + sectors


def html_table(heads: list[str], rows: list[list[str]], rng: random.Random) -> bytes:
    """A page with one table, as programs write it that call it a workbook."""
    cell = rng.choice(["th", "td"])
    close = rng.random() < 0.7
    end = "</td>" if close else ""
    upper = rng.random() < 0.3
    lines = ["<html><head><meta charset='utf-8'><title>log</title><style>td {mso-number-format:'0.000'}</style></head>"]
    lines.append("<body>" + rng.choice(["", "<p>Bench log</p>", "<h1>Log &amp; notes</h1>"]) + '<table border="1">')
    lines.append("<tr>" + "".join(f"<{cell}>{escape(h)}</{cell}>" for h in heads) + "</tr>")
    for row in rows:
        inner = "".join(f'<td align="right">{rng.choice(["", "&nbsp;", " "])}{escape(c)}{end}' for c in row)
        lines.append(f"<tr>{inner}{'</tr>' if close else ''}")
    lines.append("</table></body></html>")
    text = "\n".join(lines)
    return (text.replace("<td", "<TD").replace("<tr", "<TR") if upper else text).encode()
