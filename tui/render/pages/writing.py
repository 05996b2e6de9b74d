"""Reports and plots into files. Loads matplotlib and jinja2, an extra, and says so where they are missing."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from importlib.util import find_spec
from pathlib import Path

from store.documents.saved import plain_of
from store.errors import DiskFault
from store.model.document import Document
from store.model.document import plots_of as plots_in
from store.publish.content import plots_of
from store.publish.evidence import zip_folder
from store.publish.folder import filled_folder
from store.publish.package import slug
from store.publish.pictures import Picture
from store.publish.refusals import NotPublished
from store.publish.reports import Issue

__all__ = [
    "FORMATS",
    "ExtraMissing",
    "FileThere",
    "document_as_json",
    "need_extra",
    "picture_files",
    "write_document",
    "write_picture",
    "write_report",
]

FORMATS = ("html", "md")


class ExtraMissing(NotPublished):
    """The libraries that draw and set pages are not installed."""


class FileThere(NotPublished):
    """A file of that name is there already."""


def need_extra() -> None:
    """Make sure that the report extra is there.

    Raises:
        ExtraMissing: With the command that installs it.
    """
    for name in ("matplotlib", "jinja2"):
        if find_spec(name) is None:
            raise ExtraMissing(
                f"Reports and plots need {name}, which is not installed. Install the extra: "
                'pip install "joulebook[report]"'
            )


def write_report(
    issue: Issue,
    folder: Path,
    form: str = "html",
    *,
    replace: bool = False,
    evidence: Callable[[Path], None] | None = None,
) -> list[Path]:
    """Write a report: `report.html` alone, or `report.md` with `figures/*.svg` and `*.png`.

    Args:
        issue: The report as issued, or a draft.
        folder: Made whole or not at all.
        form: `html` or `md`.
        replace: Write over files that are there.
        evidence: Fills the folder `data` with what the page rests on; then all of it is zipped, too.

    Returns:
        The files.

    Raises:
        ExtraMissing: matplotlib or jinja2 is not installed.
        FolderInUse: The folder holds something.
        NotPublished: No such format.
    """
    if form not in FORMATS:
        raise NotPublished(f"`{form}` is not a report format. Formats are {', '.join(FORMATS)}.")
    need_extra()
    from tui.render.pages.figures import draw_png, draw_svg
    from tui.render.pages.html import as_html
    from tui.render.pages.markdown import as_markdown

    drawings = {plot.id: draw_svg(plot) for plot in plots_of(issue.content)}
    with filled_folder(folder, replace=replace) as work:
        if form == "html":
            _write(work / "report.html", as_html(issue, drawings))
        else:
            _write(work / "report.md", as_markdown(issue))
            (work / "figures").mkdir()
            for plot in plots_of(issue.content):
                _write(work / "figures" / f"{plot.id}.svg", drawings[plot.id])
                (work / "figures" / f"{plot.id}.png").write_bytes(draw_png(plot))
        if evidence is not None:
            evidence(work / "data")
            version = f"v{issue.version}" if issue.version else "draft"
            zip_folder(work, f"{'-'.join(slug(device) for device in issue.content.devices)[:80]}-{version}.zip")
        names = sorted(path.relative_to(work) for path in work.rglob("*") if path.is_file())
    return [folder / name for name in names]


def write_document(
    document: Document, folder: Path, name: str, form: str = "html", *, above: str = "", replace: bool = False
) -> list[Path]:
    """Write any document as a page: `NAME.html` alone, or `NAME.md` with its pictures, or `NAME.json`.

    Args:
        document: The page.
        folder: Made whole or not at all.
        name: Of the file, without its ending.
        form: `html`, `md` or `json`.
        above: A line above the title.
        replace: Write over files that are there.

    Raises:
        ExtraMissing: matplotlib or jinja2 is not installed.
        FolderInUse: The folder holds something.
        NotPublished: No such format.
    """
    if form not in (*FORMATS, "json"):
        raise NotPublished(f"`{form}` is no format of a page. Formats are {', '.join((*FORMATS, 'json'))}.")
    with filled_folder(folder, replace=replace) as work:
        if form == "json":
            _write(work / f"{name}.json", document_as_json(document))
        else:
            need_extra()
            from tui.render.pages.figures import draw_png, draw_svg
            from tui.render.pages.html import document_as_html
            from tui.render.pages.markdown import document_as_markdown

            plots = list(plots_in(document))
            if form == "html":
                drawings = {plot.id: draw_svg(plot) for plot in plots}
                _write(work / f"{name}.html", document_as_html(document, drawings, above=above))
            else:
                _write(work / f"{name}.md", document_as_markdown(document))
                for plot in plots:
                    (work / "figures").mkdir(exist_ok=True)
                    _write(work / "figures" / f"{plot.id}.svg", draw_svg(plot))
                    (work / "figures" / f"{plot.id}.png").write_bytes(draw_png(plot))
        names = sorted(path.relative_to(work) for path in work.rglob("*") if path.is_file())
    return [folder / path for path in names]


def document_as_json(document: Document) -> str:
    """Any document as JSON: its blocks with their kinds; numbers stay numbers with unit and uncertainty."""
    data = {"title": document.title, "blocks": plain_of(document.blocks)}
    return json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def write_picture(
    picture: Picture, file: Path, shape: str = "wide", ground: str = "light", *, replace: bool = False
) -> list[Path]:
    """Write a picture: SVG or PNG by the file's ending; without an ending all of them, in both shapes on both grounds.

    Returns:
        The files.

    Raises:
        ExtraMissing: matplotlib is not installed.
        NotPublished: Another ending, no such shape or ground, no such folder, or a file is there.
    """
    need_extra()
    from tui.render.pages.pictures import Ground, Shape, picture_png, picture_svg

    _known(shape, Shape, "shape")
    _known(ground, Ground, "ground")
    files = picture_files(file, shape, ground)
    there = [path for path, _, _ in files if path.exists()]
    if there and not replace:
        raise FileThere(f"{there[0]} exists. Name another file, or overwrite it with --force.")
    for path, of_shape, of_ground in files:
        if path.suffix.lower() == ".svg":
            content = picture_svg(picture, Shape(of_shape), Ground(of_ground)).encode()
        else:
            content = picture_png(picture, Shape(of_shape), Ground(of_ground))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            beside = path.with_name(f".{path.name}.half")
            beside.write_bytes(content)
            beside.replace(path)
        except OSError as error:
            raise DiskFault.of(error, "Writing") from error
    return [path for path, _, _ in files]


def picture_files(file: Path, shape: str, ground: str) -> list[tuple[Path, str, str]]:
    """Which files a picture goes into, each with its shape and ground.

    Raises:
        NotPublished: The name ends in something else than .svg or .png.
    """
    ending = file.suffix.lower()
    if ending in (".svg", ".png"):
        return [(file, shape, ground)]
    if ending:
        raise NotPublished(f"{file} ends in neither .svg nor .png. Without an ending both are written.")
    return [
        (file.with_name(f"{file.name}-{of_shape}-{of_ground}{end}"), of_shape, of_ground)
        for of_shape in ("wide", "square")
        for of_ground in ("light", "dark")
        for end in (".svg", ".png")
    ]


def _known(word: str, words: Iterable[str], what: str) -> None:
    if word not in list(words):
        raise NotPublished(f"`{word}` is no {what} of a picture. Known: {', '.join(words)}.")


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")
