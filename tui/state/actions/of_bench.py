"""Actions on what else the bench is made of: constants of detection, profiles, sheets, display readings.

Knows the library and text; no Textual.
"""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from importers.schema import Facts
from store.model.document import TableColumn as Head
from tui.state.actions.changes import changes_page
from tui.state.actions.model import (
    REASON,
    Action,
    ActionWork,
    Done,
    Form,
    Listing,
    ListingRow,
    Subject,
    UndoCall,
    Unfit,
    number_in,
    page,
    things,
    yes,
)
from tui.state.sheet_draft import Field

if TYPE_CHECKING:
    from store import Library
    from store.catalogue.thresholds import ThresholdRow

__all__ = ["ACTIONS"]


# constants of detection
def _constant(library: Library, name: str) -> ThresholdRow | None:
    return next((row for row in library.thresholds.all() if row.name == name), None)


def _constants(library: Library) -> Listing:
    rows = tuple(
        ListingRow(
            row.name,
            (
                row.name, f"{row.value:g}", "" if row.unit == "1" else row.unit,
                f"default {row.default:g}" if row.is_own else "",
            ),
            f"{row.reason}. Decides: {', '.join(row.decides) or 'the load window, and so about all results'}.",
            "constant",
        )
        for row in library.thresholds.all()
    )  # fmt: skip
    heads = (
        Head("constant"),
        Head("value", is_number=True),
        Head("unit"),
        Head("set here"),
    )
    return Listing("Constants of detection", heads, rows, "No constants.", hint="set")


def _constant_form(library: Library, subject: Subject) -> Form:
    found = _constant(library, subject.key)
    offered = tuple(row.name for row in library.thresholds.all())
    unit = found.unit if found and found.unit != "1" else ""
    hint = f"in {unit}; empty restores the default" if unit else "empty restores the default"
    fields = (Field("name", "constant", offered=offered), Field("value", "value", hint=hint), REASON)
    texts = {"name": subject.key, "value": f"{found.value:g}" if found else ""}
    return Form("set a constant", fields, texts, "value" if subject.key else "name")


def _wanted(work: ActionWork) -> tuple[str, float | None]:
    name = work.needed("name", "constant: which one?")
    work.needed("reason", "reason: why it is so here; results that rest on it name it.")
    return name, number_in(work, "value", "value")


def _constant_preview(work: ActionWork) -> Done:
    name, value = _wanted(work)
    found = work.library.results.preview(thresholds={name: value}, progress=work.report)
    title = f"{name} {'by default' if value is None else f'{value:g}'}"
    return Done("enter sets it, esc leaves all as it is", changes_page(title, found, would=True))


def _set_constant(work: ActionWork) -> Done:
    name, value = _wanted(work)
    before = _constant(work.library, name)
    changes = work.library.thresholds.change({name: value}, reason=work.text("reason"), progress=work.report)
    old = before.value if before is not None and before.is_own else None
    undo = UndoCall(f"{name}", lambda library: library.thresholds.change({name: old}, reason="undone"))
    return Done(f"{name} is set; {things(len(changes), 'result')} changed", undo=undo)


# profiles
def _profiles(library: Library) -> Listing:
    from store.imports.importer import all_profiles, own_profiles

    own = {profile.name for profile in own_profiles(library)}
    rows = tuple(
        ListingRow(p.name, (p.name, "this library" if p.name in own else "ships with Joulebook"), opens="profile")
        for p in all_profiles(library)
    )
    return Listing("Profiles", (Head("profile"), Head("from")), rows, "No profiles.", "keep-profile", "show")


def _profile(work: ActionWork) -> Done:
    from store.imports.importer import named_profile

    text = named_profile(work.library, work.subject.key).to_toml().rstrip("\n")
    rows = [(of,) for of in text.split("\n")]
    return Done("", page(f"Profile {work.subject.key}", (Head("as TOML", wraps=True),), rows))


def _keep_profile_form(_library: Library, _subject: Subject) -> Form:
    fields = (
        Field("file", "export", sort="path", hint="a file that is read right"),
        Field("name", "profile", hint="what it shall be called"),
        Field("answers", "answers", hint="as decimal=, where the file leaves something open"),
        Field("overwrite", "overwrite", hint="no", offered=("yes", "no")),
    )
    return Form("keep how a file is read as a profile", fields)


def _file(work: ActionWork, key: str = "file") -> Path:
    file = Path(work.needed(key, "file: name one.")).expanduser()
    if not file.is_file():
        raise Unfit(key, f"file: there is no file {file}.")
    return file


def _keep_profile(work: ActionWork) -> Done:
    from store.imports.importer import Order, keep_profile

    answers = {}
    for word in work.text("answers").split():
        key, mark, value = word.partition("=")
        if not mark:
            raise Unfit("answers", f"answers: {word} is not of the form decimal=,")
        answers[key] = value
    name = work.needed("name", "profile: name it.")
    order = Order(answers=answers)
    place = keep_profile(work.library, _file(work), name, order, overwrite=yes(work.text("overwrite")))
    return Done(f"profile {name} kept as {place}")


def _check_profiles(work: ActionWork) -> Done:
    from store.imports.importer import check_profiles

    findings = check_profiles(_file(work), work.library)
    rows = [(f.profile, "fits" if f.fits else "does not fit", f.finding) for f in findings]
    heads = (Head("profile"), Head("verdict"), Head("reason", wraps=True))
    return Done("", page("Profiles on this file", heads, rows, nothing="There are no profiles."))


# sheets and display readings
def _load_sheet(work: ActionWork) -> Done:
    from store.devices.sheet_reader import SheetRefused, read_sheet

    file = _file(work)
    try:
        reading = read_sheet(file.read_text(encoding="utf-8-sig"), str(file))
    except (UnicodeDecodeError, SheetRefused) as problem:
        text = "is not UTF-8 text" if isinstance(problem, UnicodeDecodeError) else str(problem)
        raise Unfit("file", f"file: {text}") from None
    if reading.questions and not yes(work.text("sure")):
        raise Unfit("sure", f"{reading.questions[0].message} Type yes where it is so.")
    name, before = reading.sheet.device, work.library.devices.find(reading.sheet.device)
    changes = work.library.devices.save(reading.sheet, reason=work.text("reason"))
    if before is None:
        return Done(f"{name} is new, {things(len(reading.sheet.claims), 'claim')}")
    undo = UndoCall(f"sheet of {name}", lambda library: library.devices.save(before, reason="undone"))
    return Done(f"{name}: {things(changes, 'change')}", undo=undo)


def _display_form(library: Library, subject: Subject) -> Form:
    def used(fact: str) -> tuple[str, ...]:
        return tuple(found.value for found in library.runs.facets(fact, ""))

    fields = (
        Field("device", "device", offered=tuple(row.device for row in library.devices.all())),
        Field("pairs", "readings", hint="20.1 V = 20.05 V; @0:10 87 % = 12.4 Wh"),
        Field("port", "port", offered=used("port")),
        Field("mode", "mode", offered=used("mode")),
        Field("load", "load", hint="30 W"),
        Field("ambient_c", "room °C"),
        Field("meter", "meter", offered=tuple(meter.name for meter in library.meters.all())),
        Field("note", "note"),
    )
    return Form("readings of a display against a meter", fields, {"device": (*subject.devices, "")[0]})


def _display(work: ActionWork) -> Done:
    from store.imports.display_readings import PairError, as_export, read_pair
    from store.imports.importer import Order, import_file
    from store.runs.fact_values import checked_facts

    device = work.needed("device", "device: whose display was read?")
    words = [
        word.strip() for word in work.needed("pairs", "readings: display = meter, as 20.1 V = 20.05 V.").split(";")
    ]
    try:
        pairs = [read_pair(word) for word in words if word]
    except PairError as error:
        raise Unfit("pairs", f"readings: {error}") from None
    facts = checked_facts(
        Facts(
            device=device, port=work.text("port") or None, mode=work.text("mode") or None, kind="display",
            load=work.text("load") or None, ambient_c=number_in(work, "ambient_c", "room °C"),
            meter=work.text("meter") or None,
            note=work.text("note") or "typed in; readings without a time are numbered, a second apart",
        )
    )  # fmt: skip
    stem = "".join(c if c.isalnum() or c in "-_" else "-" for c in device) or "device"
    with tempfile.TemporaryDirectory(prefix="joulebook-") as folder:
        file = Path(folder) / f"{stem}-display-{date.today().isoformat()}.csv"
        file.write_text(as_export(pairs), "utf-8")
        outcome = import_file(work.library, file, Order(facts))
    if outcome.status == "refused":
        raise Unfit("pairs", outcome.reason)
    if outcome.status == "already":
        return Done("these very readings were typed in before")
    runs = list(outcome.run_ids)
    return Done(f"run {', '.join(map(str, runs))} holds {things(len(pairs), 'reading')}")


ACTIONS: tuple[Action, ...] = (
    Action(
        "constants", "constants of detection", "List thresholds such as cut-off, trip and light load; set one here",
        "thresholds trip light load cut-off band settings", ("thresholds",), listing=_constants,
    ),
    Action(
        "constant", "set a constant", "Set a threshold; shows results and verdicts that would change first",
        "threshold", ("thresholds",), form=_constant_form, preview=_constant_preview, do=_set_constant,
        is_listed=False,
    ),
    Action(
        "profiles", "profiles", "List the profiles by which exports are read; keep one", "export format mapping",
        ("profile",), listing=_profiles,
    ),
    Action("profile", "show a profile", "Show a profile as TOML", "", ("profile",), do=_profile, is_listed=False),
    Action(
        "keep-profile", "keep a profile", "Keep how a file is read; its exports are recognised from then on",
        "export format mapping save", ("profile",), form=_keep_profile_form, do=_keep_profile,
    ),
    Action(
        "check-profiles", "try profiles on a file", "Say which profiles fit a file, and why not", "check export",
        ("profile",), form=lambda _library, _subject: Form(
            "try every profile on a file", (Field("file", "export", sort="path"),)
        ),
        do=_check_profiles,
    ),
    Action(
        "load-sheet", "load a device sheet", "Load a device's sheet from a TOML file", "toml claims import device",
        ("device",),
        form=lambda _library, _subject: Form(
            "load a device's sheet",
            (Field("file", "file", sort="path", hint="ends in .toml"),
             Field("sure", "accept unlikely", hint="no", offered=("yes", "no")), REASON),
        ),
        do=_load_sheet,
    ),
    Action(
        "display", "display readings", "Type in what a display showed against a meter", "charge level percent shown",
        ("display",), form=_display_form, do=_display,
    ),
)  # fmt: skip
