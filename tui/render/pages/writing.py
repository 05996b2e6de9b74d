"""Reports and plots into files. Loads matplotlib and jinja2, an extra, and says so where they are missing."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from store.model.document import Plot
from store.publish.content import plots_of
from store.publish.evidence import zip_folder
from store.publish.folder import filled_folder
from store.publish.package import slug
from store.publish.refusals import NotPublished
from store.publish.reports import Issue

__all__ = ["FORMATS", "ExtraMissing", "need_extra", "write_plot", "write_report"]

FORMATS = ("html", "md")


class ExtraMissing(NotPublished):
    """The libraries that draw and set pages are not installed."""


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
        raise NotPublished(f"`{form}` is no format of a report. Formats are {', '.join(FORMATS)}.")
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


def write_plot(plot: Plot, file: Path, *, replace: bool = False) -> None:
    """Write one plot; the ending, `.svg` or `.png`, decides.

    Raises:
        ExtraMissing: matplotlib is not installed.
        NotPublished: Another ending, or the file is there.
    """
    ending = file.suffix.lower()
    if ending not in (".svg", ".png"):
        raise NotPublished(f"{file} ends in neither .svg nor .png.")
    if file.exists() and not replace:
        raise NotPublished(f"{file} exists. Name another file, or overwrite it with --force.")
    need_extra()
    from tui.render.pages.figures import draw_png, draw_svg

    if ending == ".svg":
        _write(file, draw_svg(plot))
    else:
        file.write_bytes(draw_png(plot))


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")
