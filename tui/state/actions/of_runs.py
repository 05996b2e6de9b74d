"""Actions on runs: delete, group, join, part, pair, note, export, draw, recompute.

Knows the library and text; no Textual.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from store.model.document import Document
from store.model.document import TableColumn as Head
from store.model.records import RunFacts
from tui.render.format import significant
from tui.state.actions.changes import changes_page
from tui.state.actions.model import REASON, Action, ActionWork, Done, Form, Subject, UndoCall, Unfit, page, things, yes
from tui.state.edits import undo_of
from tui.state.sheet_draft import Field

if TYPE_CHECKING:
    from store import Library

__all__ = ["ACTIONS"]

_RUNS = Field("runs", "runs", hint="12 14-18, or filter words")
_OFFSET = re.compile(r"(\d+)=(-?\d+(?:[.,]\d+)?)", re.ASCII)
_TIME = re.compile(r"(?:(?:(?P<h>\d+):)?(?P<m>\d+):)?(?P<s>\d+(?:\.\d+)?)", re.ASCII)


def _with_runs(title: str, *fields: Field, **texts: str) -> Callable[[Library, Subject], Form]:
    def form(_library: Library, subject: Subject) -> Form:
        return Form(title, (_RUNS, *fields), {"runs": subject.runs_text, **texts})

    return form


def _facts(library: Library, runs: list[int]) -> list[RunFacts]:
    return [library.runs.get(run).facts for run in runs]


def _runs_page(title: str, facts: list[RunFacts], *lead: str) -> Document:
    names = ("device", "port", "mode", "kind", "load", "date")
    heads = (Head("run", is_number=True), *map(Head, names))
    rows = [
        (
            *(str(of.run_id), of.device or "", of.port or "", of.mode or "", of.kind or "", of.load_set or ""),
            f"{of.started_at:%Y-%m-%d}" if of.started_at else "",
        )
        for of in facts
    ]
    return page(title, heads, rows, lead=lead)


# deleting
def _delete_preview(work: ActionWork) -> Done:
    work.needed("reason", "reason: say why they go; the line that stays of each run names it.")
    facts = _facts(work.library, work.runs)
    lead = (
        f"{things(len(facts), 'run')} would be deleted for good, samples and original with them. A line with the "
        "original's hash stays. Setting a run aside (action `set aside`) keeps it and can be undone."
    )
    return Done("enter deletes them, esc leaves them", _runs_page("Delete", facts, lead))


def _delete(work: ActionWork) -> Done:
    count = work.library.runs.delete(work.runs, reason=work.text("reason"))
    return Done(f"{things(count, 'run')} deleted")


# setting aside, notes
def _edit(work: ActionWork, changes: dict[str, object], what: str) -> Done:
    facts = _facts(work.library, work.runs)
    changed = work.library.runs.edit(work.runs, changes, reason=work.text("reason"))
    if not changed:
        return Done("nothing changed: the facts are so already")
    back = undo_of(facts, changes)
    return Done(f"{things(len(facts), 'run')} {what}", undo=UndoCall(back.words, back.take_back))


def _aside(work: ActionWork) -> Done:
    quality = work.needed("quality", "quality: ok, suspect or rejected.")
    if quality != "ok":
        work.needed("reason", "reason: say why the run is set aside.")
    return _edit(work, {"quality": quality}, f"marked {quality}")


def _note_form(library: Library, subject: Subject) -> Form:
    notes = {of.note for of in _facts(library, list(subject.runs))}
    texts = {"runs": subject.runs_text, "note": notes.pop() if len(notes) == 1 else ""}
    return Form("note of runs", (_RUNS, Field("note", "note")), texts, "note")


def _note(work: ActionWork) -> Done:
    return _edit(work, {"note": work.text("note") or None}, "noted")


# groups
def _offsets(work: ActionWork) -> dict[int, float]:
    found = {}
    for word in work.text("offset").split():
        match = _OFFSET.fullmatch(word)
        if match is None:
            raise Unfit("offset", f"offsets: {word} is not of the form 42=3.5 (run and seconds).")
        found[int(match[1])] = float(match[2].replace(",", "."))
    return found


def _group(work: ActionWork) -> Done:
    offsets = _offsets(work)
    how = "stated" if offsets else work.text("by") or "times"
    if how not in {"times", "event", "stated"}:
        raise Unfit("by", f"matched by: {how} is neither times nor event.")
    members = work.library.runs.group(work.runs, how=how, offsets_s=offsets, reason=work.text("reason"))
    heads = (
        Head("run", is_number=True),
        Head("offset s", is_number=True),
        Head("± s", is_number=True),
    )
    rows = [
        (
            str(m.run_id),
            f"{m.offset_s:.3f}",
            "unknown" if m.uncertainty_s is None else significant(2 * m.uncertainty_s, 2),
        )
        for m in members
    ]
    runs = [member.run_id for member in members]
    told = f"{things(len(members), 'run')} on one time base, matched by {how if how != 'stated' else 'stated offsets'}"
    undo = UndoCall(f"group of {things(len(runs), 'run')}", lambda library: library.runs.ungroup(runs, reason="undone"))
    return Done(told, page("Group", heads, rows, lead=(f"{told}.",)), undo)


def _ungroup(work: ActionWork) -> Done:
    freed = work.library.runs.ungroup(work.runs, reason=work.text("reason"))
    return Done(f"{things(freed, 'run')} in no group now" if freed else "none of them was in a group")


# joining and parting
def _join(work: ActionWork) -> Done:
    done = work.library.runs.join(work.runs, offsets_s=_offsets(work), reason=work.text("reason"))
    told = f"run {done.run_id} holds runs {', '.join(map(str, done.parts))}"
    heads = (Head("was run", is_number=True), Head("begins at s", is_number=True))
    rows = [(str(part), f"{at:.3f}") for part, at in zip(done.parts, done.offsets_s, strict=True)]
    document = page("Join", heads, rows, lead=(f"{told[0].upper()}{told[1:]}, placed by {done.how}.", *done.warnings))
    undo = UndoCall(f"joining into run {done.run_id}", lambda library: library.runs.part(done.run_id, reason="undone"))
    return Done(told, document, undo)


def _seconds(word: str) -> float:
    found = _TIME.fullmatch(word)
    if found is None:
        raise Unfit("at", f"begins at: {word} is no time; write 1:02:00, 62:00 or seconds.")
    return 3600 * int(found["h"] or 0) + 60 * int(found["m"] or 0) + float(found["s"])


def _part(work: ActionWork) -> Done:
    runs = work.runs
    if len(runs) != 1:
        raise Unfit("runs", "runs: one run at a time is split.")
    done = work.library.runs.part(
        runs[0], [_seconds(word) for word in work.text("at").split()], reason=work.text("reason")
    )
    listed = ", ".join(map(str, done.runs))
    told = f"runs {listed} are back as they were" if done.is_back else f"run {done.run_id} is runs {listed} now"
    parts = list(done.runs)
    undo = UndoCall(f"splitting of run {done.run_id}", lambda library: library.runs.join(parts, reason="undone"))
    return Done(told, undo=undo)


# pairs
def _pair(work: ActionWork) -> Done:
    runs = work.runs
    if len(runs) != 2:
        raise Unfit("runs", "runs: a pair is two runs, a discharge and a recharge.")
    made = work.library.runs.pair(runs, reason=work.text("reason"))
    undo = UndoCall("pair", lambda library: library.runs.unpair(made.discharge_id, reason="undone"))
    return Done(f"discharge {made.discharge_id} is set against recharge {made.recharge_id}", undo=undo)


def unpair(work: ActionWork) -> Done:
    """Take pairs made by hand away; one is named by its row, or runs are marked."""
    run = int(work.subject.key) if work.subject.key else work.runs[0]
    before = [p for p in work.library.runs.pairs() if run in (p.discharge_id, p.recharge_id)]
    if not work.library.runs.unpair(run, reason="taken away"):
        return Done(f"run {run} is in no pair made by hand")

    def again(library: Library) -> None:
        for pair in before:
            library.runs.pair([pair.discharge_id, pair.recharge_id], reason="undone")

    return Done("pair removed; dates and ambient decide again", undo=UndoCall("removal of a pair", again))


# out of the library
def _folder(work: ActionWork, key: str = "folder") -> Path:
    return Path(work.needed(key, "folder: name a folder.")).expanduser()


def _export(work: ActionWork) -> Done:
    from store.publish import export_bdf, export_runs

    form, runs, folder = work.text("format") or "csv", work.runs, _folder(work)
    may_replace, licence = yes(work.text("overwrite")), work.text("licence")
    if form == "bdf":
        names = export_bdf(work.library, runs, folder, "csv", licence=licence, replace=may_replace)
    elif form in {"csv", "parquet", "arrow"}:
        names = export_runs(
            work.library, runs, folder, form, licence=licence, replace=may_replace, progress=work.report
        )
    else:
        raise Unfit("format", f"format: {form} is none of csv, parquet, arrow, bdf.")
    return Done(f"{things(len(runs), 'run')} in {things(len(names), 'file')} of {folder}")


def _export_form(_library: Library, subject: Subject) -> Form:
    fields = (
        _RUNS,
        Field("folder", "folder", sort="path", hint="made whole or not at all"),
        Field("format", "format", hint="csv, parquet, arrow, or bdf (open battery data format)",
              offered=("csv", "parquet", "arrow", "bdf")),
        Field("licence", "licence", hint="SPDX, as CC-BY-4.0"),
        Field("overwrite", "overwrite", hint="no", offered=("yes", "no")),
    )  # fmt: skip
    return Form("export of runs", fields, {"runs": subject.runs_text, "format": "csv"}, "folder")


def _plot(work: ActionWork) -> Done:
    from store.publish.pictures import picture_of_runs
    from tui.render.pages import write_picture
    from tui.render.pages.writing import need_extra

    need_extra()
    file = Path(work.needed("file", "file: name a file that ends in .svg or .png.")).expanduser()
    channels, title = work.text("channel").split() or ["power_w"], work.text("title")
    shape, ground = work.text("shape") or "wide", work.text("ground") or "light"
    for key, text, known in (("shape", shape, ("wide", "square")), ("ground", ground, ("light", "dark"))):
        if text not in known:
            raise Unfit(key, f"{key}: {text} is neither {known[0]} nor {known[1]}.")
    picture = picture_of_runs(work.library, work.runs, channels, title=title)
    files = write_picture(picture, file, shape, ground, replace=yes(work.text("overwrite")))
    return Done(f"{', '.join(map(str, files))}: {picture.plot.title}")


def _plot_form(_library: Library, subject: Subject) -> Form:
    from importers.schema import CHANNELS

    channels = tuple(channel.name for channel in CHANNELS)
    fields = (
        _RUNS,
        Field("file", "file", sort="path", hint="ends in .svg or .png"),
        Field("channel", "channels", hint="one or several", offered=channels),
        Field("title", "title", hint="instead of the usual one"),
        Field("shape", "shape", hint="wide or square", offered=("wide", "square")),
        Field("ground", "ground", hint="light or dark", offered=("light", "dark")),
        Field("overwrite", "overwrite", hint="no", offered=("yes", "no")),
    )
    texts = {"runs": subject.runs_text, "channel": "power_w", "shape": "wide", "ground": "light"}
    return Form("draw runs as a picture", fields, texts, "file")


# recomputing
def _recompute_preview(work: ActionWork) -> Done:
    runs = work.runs if work.text("runs") else None
    found = work.library.results.preview(runs, progress=work.report)
    return Done("enter stores them, esc leaves all as it is", changes_page("Recompute", found, would=True))


def _recompute(work: ActionWork) -> Done:
    from store.runs.previews import RecomputePreview, flips

    runs = work.runs if work.text("runs") else None
    before = work.library.verdicts.all()
    changes = tuple(work.library.results.recompute(runs, progress=work.report))
    found = RecomputePreview(changes, flips(before, work.library.verdicts.all()) if changes else ())
    told = f"{things(len(found.changes), 'result')} changed, {things(len(found.verdicts), 'verdict')} with them"
    return Done(told, changes_page("Recompute", found, would=False) if changes else None)


ACTIONS: tuple[Action, ...] = (
    Action(
        "note", "note", "Write a note on the marked runs, or on the one under the cursor", "remark comment text",
        ("edit",), 1, form=_note_form, do=_note,
    ),
    Action(
        "aside", "set aside", "Mark runs suspect or rejected, with a reason; they stay; this can be undone",
        "quality reject exclude suspect", ("edit",), 1,
        form=_with_runs("set runs aside", Field("quality", "quality", offered=("suspect", "rejected", "ok")), REASON),
        do=_aside,
    ),
    Action(
        "delete", "delete runs", "Delete runs for good; shows them first", "remove erase drop", ("delete",), 1,
        form=_with_runs("delete runs", REASON), preview=_delete_preview, do=_delete,
    ),
    Action(
        "group", "group runs", "Put simultaneous runs on a common time base: two ports, mains and DC side",
        "simultaneous together ports mains clock", ("group",), 2,
        form=_with_runs(
            "group simultaneous runs", Field("by", "matched by", hint="times or event", offered=("times", "event")),
            Field("offset", "offsets", hint="instead: 42=3.5 (run and seconds)"), REASON, by="times",
        ),
        do=_group,
    ),
    Action(
        "ungroup", "ungroup runs", "Take runs out of their group", "separate", ("ungroup",), 1,
        form=_with_runs("take runs out of their group", REASON), do=_ungroup,
    ),
    Action(
        "join", "join runs", "Make parts of one log one run; can be undone exactly",
        "merge concatenate parts restart", ("join",), 2,
        form=_with_runs(
            "join parts of one log", Field("offset", "begins at", hint="42=3600 (run and seconds), where unknown"),
            REASON,
        ),
        do=_join,
    ),
    Action(
        "part", "split a run", "Make a joined run its parts again, or one log several runs", "part unjoin cut divide",
        ("part",), 1,
        form=_with_runs(
            "split a run", Field("at", "begins at", hint="1:02:00 or seconds; empty undoes a joining"), REASON
        ),
        do=_part,
    ),
    Action(
        "pair", "pair runs", "Set a discharge against a recharge by hand", "match efficiency recharge", ("pair",), 2,
        form=_with_runs("pair a discharge with a recharge", REASON), do=_pair,
    ),
    Action("unpair", "remove a pair", "Let dates pair this run again", "unpair", ("unpair",), 1, do=unpair),
    Action(
        "export", "export runs", "Write runs with facts, results and hashes into a folder",
        "save csv parquet arrow bdf file data", ("export",), 1, form=_export_form, do=_export,
    ),
    Action(
        "plot", "draw a picture", "Draw runs over each other as a picture: SVG or PNG",
        "plot figure image chart png svg", ("plot",), 1, form=_plot_form, do=_plot,
    ),
    Action(
        "recompute", "recompute results", "Recompute results with the current methods; shows what would change first",
        "again method version", ("recompute",), 0,
        form=lambda _library, _subject: Form("recompute results", (Field("runs", "runs", hint="all where empty"),)),
        preview=_recompute_preview, do=_recompute,
    ),
)  # fmt: skip
