"""`joulebook profile`: how exports of one make are read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.fact_options import Answers, answers_of
from tui.cli.listing import print_rows
from tui.cli.session import Session
from tui.render.tables import Head

if TYPE_CHECKING:
    from store import Library

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 110

_LIST_HELP = examples("List the profiles: the library's own and those that ship.", "joulebook profile list")
_SHOW_HELP = examples("Print a profile as TOML, to keep or to edit.", "joulebook profile show NAME > mine.toml")
_KEEP_HELP = examples(
    "Keep how a file is read as a profile of the library; its exports are recognised by their header from then on.",
    "joulebook profile keep log.csv bench-meter",
    "joulebook profile keep log.csv bench-meter --answer decimal=,",
)
_CHECK_HELP = examples(
    "Try every profile on a file and say what each found.",
    "joulebook profile check log.csv",
    "joulebook profile check log.csv --json",
)


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    profiles = typer.Typer(
        name="profile",
        help=examples("Export profiles: how one meter's export maps onto channels.", "joulebook profile list"),
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    profiles.command("list", help=_LIST_HELP)(list_profiles)
    profiles.command("show", help=_SHOW_HELP, no_args_is_help=True)(show)
    profiles.command("keep", help=_KEEP_HELP, no_args_is_help=True)(keep)
    profiles.command("check", help=_CHECK_HELP, no_args_is_help=True)(check)
    app.add_typer(profiles)


def _library(session: Session) -> Library | None:
    return session.open_library() if session.library_path.exists() else None


def list_profiles(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> None:
    """Print the profiles' names and where each is from."""
    from store.imports.importer import all_profiles, own_profiles

    session = session_of(context)
    library = _library(session)
    own = {profile.name for profile in own_profiles(library)}
    profiles = [(p.name, "this library" if p.name in own else "ships with Joulebook") for p in all_profiles(library)]
    if as_json:
        session.document([{"name": name, "source": source} for name, source in profiles])
        return
    print_rows(session, [Head("profile"), Head("from")], profiles)


def show(
    context: typer.Context, name: Annotated[str, typer.Argument(metavar="NAME", help="The profile's name.")]
) -> None:
    """Print a profile as TOML."""
    from store.imports.importer import named_profile

    session = session_of(context)
    session.out(named_profile(_library(session), name).to_toml().rstrip("\n"))


def keep(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An export that is read correctly.")],
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the profile.")],
    answer: Answers = None,
    force: Annotated[bool, typer.Option("--force", "-f", help="Overwrite a profile of that name.")] = False,
) -> None:
    """Keep a mapping as a profile."""
    from store.imports.importer import Order, keep_profile

    session = session_of(context)
    order = Order(answers=answers_of(answer or []))
    place = keep_profile(session.open_library(create=True), file.expanduser(), name, order, overwrite=force)
    session.say(f"Kept as {place}. `joulebook profile show {name}` prints it.")


def check(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An export.")],
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Try every profile on a file."""
    from store.imports.importer import check_profiles

    session = session_of(context)
    findings = check_profiles(file.expanduser(), _library(session))
    if as_json:
        session.document([{"profile": f.profile, "fits": f.fits, "reason": f.finding} for f in findings])
        return
    rows: list[tuple[object, ...]] = [(f.profile, "fits" if f.fits else "does not fit", f.finding) for f in findings]
    print_rows(session, [Head("profile"), Head("verdict"), Head("why", wraps=True)], rows)
    fitting = [finding.profile for finding in findings if finding.fits]
    if not fitting:
        session.say("No profile fits: the importer works the file out by itself, `joulebook inspect` shows how.")
    elif len(fitting) > 1:
        session.say(
            f"Several fit ({', '.join(fitting)}): use --profile NAME, or make their [recognise] tables stricter."
        )
