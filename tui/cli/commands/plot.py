"""`joulebook plot`: a picture of runs, of a device, or of several devices side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import examples, session_of, wrong_use
from tui.cli.publishing import Force, chosen_runs

if TYPE_CHECKING:
    from store import Library
    from store.publish.pictures import Picture

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 300

_HELP = examples(
    "Draw a picture for an article or a video: runs over each other, a device's energy over the load, or devices by "
    "one quantity.",
    "joulebook plot 32 47 -o power.png",
    "joulebook plot device:PB-03 kind:recharge --channel power_w --channel temperature_c -o recharge.svg",
    "joulebook plot PB-03 -o energy.png                        delivered energy over the load",
    "joulebook plot PB-02 PB-03 PB-07 --by energy_out_wh -o energies.png --square --dark",
    "joulebook plot 32 -o held                                 SVG and PNG, wide and square, light and dark",
    more="The title says what is seen and is made from results; --title replaces it. Wide is 1920 x 1080 px, square "
    "1080 x 1080. Letters are outlines, so no font is needed to show the SVG. Models are called by their names; codes, "
    'runs and days stand in the last line. Needs the extra "report": pip install "joulebook[report]".',
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("plot", help=_HELP, no_args_is_help=True)(plot)


def plot(
    context: typer.Context,
    words: Annotated[
        list[str], typer.Argument(metavar="RUN...|FILTER|DEVICE...", help="Run numbers, filter words, or devices.")
    ],
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="FILE", help="Ends in .svg or .png; without an ending, all forms.")
    ],
    channel: Annotated[
        list[str] | None,
        typer.Option("--channel", metavar="CHANNEL", help="Of runs; repeatable; default power_w."),
    ] = None,
    by: Annotated[str | None, typer.Option("--by", metavar="RESULT", help="Of devices: the quantity.")] = None,
    title: Annotated[str, typer.Option("--title", metavar="TEXT", help="Title in place of the default.")] = "",
    square: Annotated[bool, typer.Option("--square", help="1080 x 1080 px instead of 1920 x 1080.")] = False,
    dark: Annotated[bool, typer.Option("--dark", help="Light on dark.")] = False,
    force: Force = False,
) -> None:
    """Draw a picture."""
    session = session_of(context)
    from tui.render.pages.writing import need_extra, picture_files, write_picture

    need_extra()
    shape, ground = "square" if square else "wide", "dark" if dark else "light"
    files = picture_files(output, shape, ground)
    library = session.open_library()
    picture = _picture(library, words, channel, by, title)
    there = [path for path, _, _ in files if path.exists()]
    if there and not force:
        session.confirm(f"{there[0]} exists. Overwrite it?", option="--force")
        force = True
    written = write_picture(picture, output, shape, ground, replace=force)
    from tui.render.pages.pictures import missing_letters

    lacking = missing_letters(f"{picture.plot.title}{picture.subtitle}{picture.source}")
    if lacking:
        session.say(f"The font has no {' '.join(lacking)}: a box stands for each. --title gives another title.")
    session.say(f"{', '.join(str(path) for path in written)}: {picture.plot.alt}")


def _picture(library: Library, words: list[str], channel: list[str] | None, by: str | None, title: str) -> Picture:
    from store.publish.pictures import picture_of_comparison, picture_of_device, picture_of_runs

    devices = {row.device for row in library.devices.all()}
    if all(word in devices for word in words):
        if channel:
            wrong_use("--channel is for runs. `joulebook plot device:CODE --channel ...` draws a device's runs.")
        names = list(dict.fromkeys(words))
        if len(names) == 1:
            if by is not None:
                wrong_use("--by needs two devices or more.")
            return picture_of_device(library, names[0], title=title)
        return picture_of_comparison(library, names, by, title=title)
    if by is not None:
        wrong_use("--by is for devices, not for runs.")
    return picture_of_runs(library, chosen_runs(library, words), channel or ["power_w"], title=title)
