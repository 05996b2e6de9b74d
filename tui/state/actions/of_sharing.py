"""Actions between libraries: take what another one has, share this one as tables.

Knows the library and text; no Textual.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from store.model.document import Document, words
from store.model.document import TableColumn as Head
from tui.render.format import size
from tui.state.actions.model import Action, ActionWork, Done, Form, Unfit, page, things, yes
from tui.state.sheet_draft import Field

if TYPE_CHECKING:
    from store import Library
    from store.sharing.conflicts import Told

__all__ = ["ACTIONS"]

_TAKE_FIELDS = (
    Field("source", "library", sort="path", hint="a library's folder, or a backup"),
    Field("prefer", "where they differ", hint="ask, mine, theirs or newer", offered=("ask", "mine", "theirs", "newer")),
    Field("rename", "other codes", hint="PB-03=PB-03-south, where one code is two devices"),
)


def _codes(work: ActionWork) -> Mapping[str, str]:
    codes = {}
    for word in work.text("rename").split():
        there, mark, here = word.partition("=")
        if not (mark and there and here):
            raise Unfit("rename", f"other codes: {word} is not of the form THERE=HERE.")
        codes[there] = here
    return codes


def _taken(work: ActionWork, *, is_dry: bool) -> Done:
    from store.sharing.conflicts import Prefer
    from store.sharing.take import take

    prefer = work.text("prefer") or "ask"
    if prefer not in set(Prefer):
        raise Unfit("prefer", f"where they differ: {prefer} is none of ask, mine, theirs, newer.")
    source = Path(work.needed("source", "library: name its folder, or a backup's archive.")).expanduser()
    done = take(
        work.library, source, prefer=Prefer(prefer), codes=_codes(work), is_dry=is_dry, progress=work.report
    )  # fmt: skip
    verb = "would come" if is_dry else "came"
    lead = [f"{things(len(done.runs), 'run')} {verb}, {things(done.known, 'run')} here already."]
    lead += [f"{things(done.deleted_here, 'run')} deleted here stay out."] if done.deleted_here else []
    for names, word in ((done.devices, "device"), (done.meters, "meter"), (done.files, "file")):
        lead += [f"{things(len(names), word)}: {', '.join(names)}."] if names else []
    lead += list(done.damaged)
    lead += [
        f"{held.device} is another device there: {held.difference}. {things(held.runs, 'run')} stay there until "
        "`other codes` names it anew, or `mine` says that it is the same."
        for held in done.held_back
    ]
    heads = (
        Head("what"),
        Head("field"),
        Head("here", wraps=True),
        Head("there", wraps=True),
        Head("counts"),
    )
    rows = [
        (f"{c.table} {c.key}", c.field, _statement(c.mine), _statement(c.theirs), c.takes or "open")
        for c in done.conflicts
    ]
    if done.open_conflicts:
        lead.append(f"{things(len(done.open_conflicts), 'fact')} stated differently and left as here.")
    document = page("Take", heads, rows, lead=lead)
    told = lead[0].rstrip(".") if not is_dry else "enter takes them, esc takes nothing"
    return Done(told, document, is_problem=bool(done.damaged or done.held_back or done.open_conflicts))


def _statement(told: Told) -> str:
    value = "not stated" if told.value is None else told.value
    return f"{value} ({told.who}, {told.at:%Y-%m-%d %H:%M})" if told.at else value


_SHARE_FIELDS = (
    Field("to", "to", sort="path", hint="a folder, or s3://bucket/prefix"),
    Field("bench", "bench", hint="the name of this bench there"),
    Field("compact", "compact", hint="no", offered=("yes", "no")),
)


def _shared(work: ActionWork, *, is_dry: bool) -> Done:
    from store.sharing.share import share

    target = work.needed("to", "to: a folder, or s3://bucket/prefix.")
    bench = work.needed("bench", "bench: a name for this bench.")
    done = share(
        work.library, target, bench, is_dry=is_dry, compact=yes(work.text("compact")), progress=work.report
    )  # fmt: skip
    if done.is_unchanged:
        return Done(f"{done.target} is up to date", Document("Share", words(f"{done.target} is up to date.")))
    rows = [(table, f"{count:,}") for table, count in done.tables.items()]
    verb = "would go" if is_dry else "went"
    lead = (f"{things(done.traces_added, 'trace file')} ({size(done.bytes_added)}) {verb} to {done.target}.",)
    document = page("Share", (Head("table"), Head("rows", is_number=True)), rows, lead=lead)
    return Done("enter shares it, esc leaves it" if is_dry else lead[0].rstrip("."), document)


def _bench_name(library: Library) -> str:
    return "".join(c if c.isascii() and (c.isalnum() or c in "_-") else "-" for c in library.name).strip("-")[:40]


ACTIONS: tuple[Action, ...] = (
    Action(
        "take", "take from another library", "Bring in what another library has; shows what would come first",
        "merge import colleague conflicts sync", ("take",),
        form=lambda _library, _subject: Form("take from another library", _TAKE_FIELDS, {"prefer": "ask"}),
        preview=lambda work: _taken(work, is_dry=True), do=lambda work: _taken(work, is_dry=False),
    ),
    Action(
        "share", "share as tables", "Write Delta tables into a folder or a bucket; shows what would go first",
        "delta s3 bucket export lab", ("share",),
        form=lambda library, _subject: Form("share the library", _SHARE_FIELDS, {"bench": _bench_name(library)}),
        preview=lambda work: _shared(work, is_dry=True), do=lambda work: _shared(work, is_dry=False),
    ),
)  # fmt: skip
