"""Options by which facts of a run are stated: the same for `import` and `edit`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from tui.cli.base import wrong_use
from tui.cli.completing import offer_devices, offer_kinds, offer_meters, offer_modes, offer_ports

__all__ = [
    "Ambient",
    "Answers",
    "CableMohm",
    "Device",
    "Kind",
    "Load",
    "MeasuredAt",
    "Meter",
    "Mode",
    "Note",
    "Port",
    "answers_of",
    "check_kind",
]

Device = Annotated[
    str | None,
    typer.Option(
        "--device", metavar="NAME", help="The tested sample, by its store code.", autocompletion=offer_devices
    ),
]
Port = Annotated[
    str | None,
    typer.Option("--port", metavar="P", help="The port by its marking: C1, A1, mains.", autocompletion=offer_ports),
]
Mode = Annotated[
    str | None,
    typer.Option(
        "--mode", metavar="M", help='What was negotiated: "fixed 20 V", "PPS 3.3-21 V".', autocompletion=offer_modes
    ),
]
Kind = Annotated[
    str | None,
    typer.Option(
        "--kind",
        metavar="K",
        help="What was done: discharge, recharge, regulation, overload, light-load, pass-through, heat, standby, "
        "efficiency, cable or display.",
        autocompletion=offer_kinds,
    ),
]
Load = Annotated[str | None, typer.Option("--load", metavar="L", help='The set load: "30 W", "2 A", "5 ohm".')]
Ambient = Annotated[
    float | None, typer.Option("--ambient", metavar="DEGC", help="Ambient temperature in degrees Celsius.")
]
Meter = Annotated[
    str | None, typer.Option("--meter", metavar="NAME", help="The meter that logged.", autocompletion=offer_meters)
]
Note = Annotated[str | None, typer.Option("--note", metavar="TEXT", help="Anything worth keeping.")]
MeasuredAt = Annotated[
    str | None, typer.Option("--measured-at", metavar="WHERE", help='Where voltage was measured: port or "cable end".')
]
CableMohm = Annotated[
    float | None, typer.Option("--cable-mohm", metavar="MOHM", help="Loop resistance between port and meter, milliohm.")
]
Answers = Annotated[
    list[str] | None,
    typer.Option(
        "--answer", metavar="ID=VALUE", help="Answer to a question that `joulebook inspect` lists; repeatable."
    ),
]


def check_kind(kind: str | None) -> str | None:
    """A kind of test, checked.

    Raises:
        Refusal: with status 2 and the nearest kind, where there is no such kind.
    """
    if kind is None:
        return None
    from importers.schema import KINDS
    from store.errors import suggest

    if kind in KINDS:
        return kind
    near = suggest(kind, KINDS)
    hint = f" Did you mean {near}?" if near else ""
    return wrong_use(f"--kind {kind}: unknown kind of test.{hint} There are: {', '.join(KINDS)}.")


def answers_of(words: Sequence[str]) -> dict[str, str]:
    """`--answer id=value` options as a mapping.

    Raises:
        Refusal: with status 2, where a word has no `=`.
    """
    answers: dict[str, str] = {}
    for word in words:
        name, mark, value = word.partition("=")
        if not mark or not name:
            wrong_use(f"--answer {word}: write --answer ID=VALUE, as `joulebook inspect FILE` lists them.")
        answers[name] = value
    return answers
