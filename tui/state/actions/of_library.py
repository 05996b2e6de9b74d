"""Actions on the whole library: history, search over all runs, care, sharing, ratings, published pages.

Knows the library and text; no Textual.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from store.model.document import Block, Document, Heading, Paragraph, Sql, words
from store.model.document import TableColumn as Head
from store.words.numbers import clock_time
from tui.render.format import size
from tui.state.actions.model import (
    Action,
    ActionWork,
    Done,
    Form,
    Listing,
    ListingRow,
    Subject,
    Unfit,
    page,
    things,
)
from tui.state.actions.of_runs import unpair
from tui.state.edits import EDITABLE
from tui.state.sheet_draft import Field

if TYPE_CHECKING:
    from store import Library
    from store.model.records import Amendment

__all__ = ["ACTIONS"]

_YES_NO = ("yes", "no")
_NEWEST_ROWS = 5000
"""More rows of a history nobody walks through; the command line lists all."""


# history
def _history(library: Library) -> Listing:
    changes = library.amendments.all()
    rows = []
    for at in range(len(changes) - 1, max(len(changes) - 1 - _NEWEST_ROWS, -1), -1):
        c = changes[at]
        cells = (
            f"{c.at:%Y-%m-%d %H:%M}",
            c.who,
            f"{c.table_name} {c.key}",
            c.field,
            _told(c.old_value),
            _told(c.new_value),
        )
        rows.append(ListingRow(str(at), cells, c.reason, "take-back" if _can_go_back(c) else ""))
    heads = tuple(map(Head, ("when (UTC)", "who", "what", "field", "old", "new")))
    return Listing("History", heads, tuple(rows), "Nothing was changed yet.", hint="take back")


def _told(value: str | None) -> str:
    return "-" if value in (None, "") else str(value)


def _can_go_back(change: Amendment) -> bool:
    return change.table_name == "threshold" or (
        change.table_name == "run" and change.field in EDITABLE and change.key.isdigit()
    )


def _value_of(field: str, text: str | None) -> Any:
    if text is None or text == "":
        return None
    if field in {"ambient_c", "cable_mohm"}:
        return float(text)
    return datetime.fromisoformat(text) if field == "started_at" else text


def _take_back_form(library: Library, subject: Subject) -> Form:
    change = library.amendments.all()[int(subject.key)]
    title = f"{change.table_name} {change.key}: {change.field} back to {_told(change.old_value)}"
    return Form(title, (Field("reason", "reason", hint="for the record"),))


def _take_back(work: ActionWork) -> Done:
    change = work.library.amendments.all()[int(work.subject.key)]
    reason = work.needed("reason", "reason: say why the old value is right.")
    if change.table_name == "threshold":
        value = None if change.old_value in (None, "") else float(change.old_value or 0)
        work.library.thresholds.change({change.key: value}, reason=reason)
    else:
        run = int(change.key)
        work.library.runs.edit([run], {change.field: _value_of(change.field, change.old_value)}, reason=reason)
    return Done(f"{change.field} of {change.table_name} {change.key} is {_told(change.old_value)} again")


# search
def _matches(library: Library) -> Listing:
    """Events over all runs, the newest run first."""
    answer = library.sql.run(
        "SELECT e.run_id, r.device, r.port, r.mode, e.kind, e.from_s, e.value, e.unit "
        "FROM events e JOIN runs r USING (run_id) ORDER BY r.started_at DESC NULLS LAST, e.run_id DESC, e.from_s",
        limit=_NEWEST_ROWS,
    )
    rows = tuple(
        ListingRow(
            str(of["run_id"]),
            (
                *(str(of["run_id"]), of["device"] or "", of["port"] or "", of["mode"] or "", of["kind"]),
                clock_time(of["from_s"]),
                "" if of["value"] is None else f"{of['value']:.4g} {of['unit'] if of['unit'] != '1' else ''}".strip(),
            ),
            opens="open-run",
        )
        for of in answer.table.to_pylist()
    )
    names = ("device", "port", "mode", "event")
    heads = (
        Head("run", is_number=True),
        *map(Head, names),
        Head("at", is_number=True),
        Head("value", is_number=True),
    )
    return Listing("Events of all runs", heads, rows, "No run has an event.", hint="open the run")


# pairs
def _pairs(library: Library) -> Listing:
    rows = tuple(
        ListingRow(str(p.discharge_id), (str(p.discharge_id), str(p.recharge_id)), opens="drop-pair")
        for p in library.runs.pairs()
    )
    heads = (Head("discharge", is_number=True), Head("recharge", is_number=True))
    return Listing("Pairs made by hand", heads, rows, "No pairs were made by hand: dates and ambient decide.", "pair",
                   "remove")  # fmt: skip


# care
def _verify(work: ActionWork) -> Done:
    return _verified(work, repair=False)


def _repair(work: ActionWork) -> Done:
    return _verified(work, repair=True)


def _verified(work: ActionWork, *, repair: bool) -> Done:
    findings = work.library.maintenance.verify(repair=repair, progress=work.report)
    left = [finding for finding in findings if not finding.is_repaired]
    rows = [(f.subject, f"{f.message}{' Repaired.' if f.is_repaired else ''}") for f in findings]
    if not findings:
        return Done("every hash, row count and catalogue row is right")
    told = f"{things(len(findings), 'finding')}, {len(findings) - len(left)} repaired"
    advice = "What is left needs a backup, or `rebuild`." if repair else "`repair` repairs what is repairable."
    lead = (f"{told[0].upper()}{told[1:]}.", *((advice,) if left else ()))
    document = page("Verify", (Head("file or row"), Head("finding", wraps=True)), rows, lead=lead)
    return Done(told, document, is_problem=bool(left))


def _path(work: ActionWork, key: str, what: str) -> Path:
    return Path(work.needed(key, what)).expanduser()


def _backup(work: ActionWork) -> Done:
    file = _path(work, "file", "file: name the archive, as store.tar.")
    written = work.library.maintenance.backup(file, work.report)
    return Done(f"{file}: {size(written)}")


def _restore(work: ActionWork) -> Done:
    from store import Library

    file, folder = _path(work, "file", "archive: name it."), _path(work, "folder", "folder: name a new one.")
    found = Library.restore(file, folder, progress=work.report)
    return Done(f"{folder} holds {things(found.runs.page(limit=1).total, 'run')}; open it with --library {folder}")


def _pack(work: ActionWork) -> Done:
    outcome = work.library.maintenance.pack(progress=work.report)
    if outcome.damaged:
        return Done(
            f"{things(len(outcome.damaged), 'file')} damaged and left alone; verify tells more", is_problem=True
        )
    return Done(f"traces of {things(outcome.runs, 'run')} merged" if outcome.runs else "nothing to merge")


def _rebuild(work: ActionWork) -> Done:
    outcome = work.library.maintenance.rebuild(work.report)
    told = f"{things(outcome.runs, 'run')} recreated from the traces"
    if outcome.unreadable:
        return Done(told, Document("Rebuild", words(told + ".", *outcome.unreadable)), is_problem=True)
    return Done(told)


def _files(work: ActionWork) -> Done:
    found = work.library.maintenance.files()
    rows = [(f"{f['samples']:,}", f"{f['bytes']:,}", str(f["path"])) for f in found]
    heads = (Head("samples", is_number=True), Head("bytes", is_number=True), Head("file"))
    return Done("", page("Trace files", heads, rows, nothing="There are no trace files yet."))


def _check(_work: ActionWork) -> Done:
    from store.validation import validate
    from tui.render.check import check_lines

    record = validate()
    failed = len(record.failed)
    told = f"{failed} of {len(record.cases)} cases failed" if failed else f"all {len(record.cases)} cases passed"
    lines = ["".join(text for text, _ in of) if isinstance(of, tuple) else of for of in check_lines(record)]
    blocks: tuple[Block, ...] = (*words(told + "."), Sql("validation record", "\n".join(lines)))
    return Done(told, Document("Reference cases", blocks), is_problem=bool(failed))


def _check_page(work: ActionWork) -> Done:
    from store.publish.evidence_check import check_page

    folder = _path(work, "folder", "folder: name the page's folder.")
    found = check_page(folder)
    looked = (
        f"{things(found.files, 'file')}, {things(found.figures, 'figure')}, {things(found.results, 'result')} checked"
    )
    document = Document("Published page", words(f"{looked}.", *found.wrong)) if found.wrong else None
    return Done(f"{looked}, {len(found.wrong)} differ", document, is_problem=bool(found.wrong))


# course, ratings, reports
def _next(work: ActionWork) -> Done:
    names = list(work.subject.devices) or [row.device for row in work.library.devices.all()]
    blocks: list[Block] = []
    for name in names:
        left = work.library.devices.course(name).next_steps
        blocks.append(Heading(name))
        if not left:
            blocks += words("The course is done.")
            continue
        test, cell = left[0]
        at = " ".join(part for part in (test.name, cell.port and f"on {cell.port}", cell.mode) if part)
        blocks += [Paragraph(f"{at}. {test.how}"), *words(test.caution)]
    if not names:
        blocks += words("No device has a sheet yet.")
    return Done("", Document("Next tests", tuple(blocks)))


def _rate(work: ActionWork) -> Done:
    from store.choose import read_scheme
    from store.choose.rating import kept_schemes, moves, rate, save_scheme, shipped_scheme
    from store.documents.choice import choice_document

    file = work.text("file")
    if file:
        path = Path(file).expanduser()
        try:
            chosen = read_scheme(path.read_text(encoding="utf-8-sig"), source=path.name)
        except (OSError, UnicodeDecodeError):
            raise Unfit("file", f"scheme: {path} is no readable text file.") from None
    else:
        chosen = shipped_scheme()
    before = [kept for kept in kept_schemes(work.library, chosen.name) if kept.version < chosen.version]
    save_scheme(work.library, chosen, reason=work.text("reason"))
    choice = rate(work.library, chosen)
    moved = moves(rate(work.library, before[-1]), choice) if before else ()
    document = choice_document(choice)
    if before:
        told = [f"{move.device}: {move.before} -> {move.after}" for move in moved] or ["no rating moves"]
        extra: tuple[Block, ...] = (Heading(f"against version {before[-1].version}"), *words(*told))
        document = replace(document, blocks=(*document.blocks, *extra))
    return Done("", document)


def _reports(work: ActionWork) -> Done:
    from store.publish.reports import issued_reports

    table = issued_reports(work.library)
    rows = [
        tuple(f"{value:%Y-%m-%d %H:%M}" if isinstance(value, datetime) else str(value or "") for value in row.values())
        for row in table.to_pylist()
    ]
    heads = tuple(Head(name.replace("_", " "), wraps=name in {"title", "reason"}) for name in table.column_names)
    return Done("", page("Issued reports", heads, rows, nothing="No report was issued yet."))


def _restore_form(_library: Library, _subject: Subject) -> Form:
    fields = (Field("file", "archive", sort="path"), Field("folder", "into", sort="path", hint="a new or empty folder"))
    return Form("unpack a backup into a new folder", fields)


def _one_path(title: str, key: str, label: str, hint: str = "") -> Any:
    return lambda _library, _subject: Form(title, (Field(key, label, sort="path", hint=hint),))


ACTIONS: tuple[Action, ...] = (
    Action(
        "history", "history of changes", "List every change of a fact; undo one", "amendments undo audit log",
        ("amendments",), listing=_history,
    ),
    Action(
        "take-back", "undo a change", "Put the old value back, as a change of its own", "", ("amendments",),
        form=_take_back_form, do=_take_back, is_listed=False,
    ),
    Action(
        "matches", "events of all runs", "List cut-offs, pauses, gaps and trips over all runs; open one",
        "find search matches cut-off", listing=_matches,
    ),
    Action("pairs", "pairs made by hand", "List pairs made by hand; remove one", "efficiency", ("pair",),
           listing=_pairs),
    Action(
        "drop-pair", "remove a pair", "Let dates pair these runs again", "", ("unpair",), do=unpair, is_listed=False,
    ),
    Action(
        "next", "next tests", "Say which test of the course is next for each device, and what to mind",
        "course todo plan bench", ("next",), do=_next,
    ),
    Action(
        "rate", "rate all devices", "Rate devices by a scheme; every version used is kept", "rating score scheme",
        ("rate",),
        form=lambda _library, _subject: Form(
            "rate all devices by a scheme",
            (Field("file", "scheme", sort="path", hint="a TOML file; the default one where empty"),
             Field("reason", "reason", hint="why this version was made")),
        ),
        do=_rate,
    ),
    Action("reports", "issued reports", "List every report that was issued", "published page version", ("report",),
           do=_reports),
    Action(
        "check-page", "check a published page", "Check a page's hashes, figures and results from its folder",
        "evidence verify", ("check-page",), form=_one_path("check a published page", "folder", "folder"),
        do=_check_page,
    ),
    Action(
        "verify", "verify the library", "Check every hash, row count and catalogue row", "check integrity damage",
        ("verify",), do=_verify,
    ),
    Action(
        "repair", "repair the library", "Remove leftovers of interrupted imports and repair what is repairable",
        "verify mend fix", ("verify",), do=_repair,
    ),
    Action(
        "backup", "backup", "Write the whole library into one archive", "backup archive save copy tar", ("backup",),
        form=_one_path("back up the library", "file", "archive", "as store.tar"), do=_backup,
    ),
    Action(
        "restore", "restore a backup", "Unpack a backup into a new folder", "archive", ("restore",),
        form=_restore_form, do=_restore,
    ),
    Action("pack", "merge trace files", "Merge loose trace files, so that queries stay quick", "pack compact",
           ("pack",), do=_pack),
    Action(
        "rebuild", "rebuild the catalogue", "Make missing runs again from the traces", "recover lost damaged",
        ("rebuild",), do=_rebuild,
    ),
    Action("files", "trace files", "List the Parquet files that hold the runs", "parquet path", ("files",), do=_files),
    Action("check", "check reference cases", "Run published reference cases through this installation",
           "validation record", ("check",), do=_check),
)  # fmt: skip
