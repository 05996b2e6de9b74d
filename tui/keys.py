"""Every key in one table: bindings, the line of keys, the help screen and README's table are made from it.

Knows Textual's `Binding` only.
"""

from __future__ import annotations

from typing import NamedTuple

from textual.binding import Binding, BindingType

__all__ = ["KEYS", "PLACES", "Key", "as_markdown", "bar_keys", "bindings", "dialog_bindings", "keys_of"]

PLACES: dict[str, str] = {
    "everywhere": "Everywhere",
    "runs": "Runs",
    "run": "Run",
    "compare": "Compare",
    "devices": "Devices",
    "device": "A device",
    "side": "Side by side",
    "sheet": "A device's sheet",
    "choose": "Choose",
    "query": "Query",
    "import": "Import",
    "bench": "Bench",
    "why": "Why",
    "guide": "Guide",
    "listing": "Lists: meters, constants, history",
    "page": "A page of an action",
    "actions": "Actions",
    "pick": "Pick lists",
    "edit": "Editing facts",
}
"""Places and how they are called on screen, in the order of the help."""


class Key(NamedTuple):
    """One key of one place."""

    id: str
    """`place.word`, unique; a keymap refers to it."""
    key: str
    """As Textual names it; several parted by commas."""
    shown: str
    """As people read it."""
    label: str
    """A word or two for the line of keys."""
    tooltip: str
    """One sentence for the help and the palette."""
    action: str
    """What it does, as the place's screen names it; `{key}` stands for the key that was pressed."""
    bar: int = 0
    """Rank in the line of keys; 0 keeps it out."""
    in_palette: bool = True

    @property
    def place(self) -> str:
        """Where the key works."""
        return self.id.partition(".")[0]


KEYS: tuple[Key, ...] = (
    Key("everywhere.help", "question_mark", "?", "keys", "Show every key that works here", "help", 90),
    Key("everywhere.guide", "f1", "F1", "guide", "Open the guide at the page about this place", "guide"),
    Key("everywhere.back", "escape", "esc", "back", "Go back one level; never quits", "back"),
    Key("everywhere.quit", "q,ctrl+q", "q", "quit", "Quit; Ctrl+Q from within a text field", "leave", 91),
    Key("everywhere.actions", "ctrl+p", "^p", "actions", "Find any action by its words", "actions", 89),
    Key("everywhere.runs", "f2", "F2", "runs", "Go to the list of runs", "go('runs')"),
    Key("everywhere.devices", "f3", "F3", "devices", "Go to the devices", "go('devices')"),
    Key("everywhere.query", "f4", "F4", "query", "Go to SQL queries", "go('query')"),
    Key("everywhere.import", "f5", "F5", "import", "Go to the import of exports", "go('import')"),
    Key("everywhere.theme", "f9", "F9", "light or dark", "Switch between the dark and the light theme", "flip_theme"),
    Key(
        "everywhere.settings",
        "f7",
        "F7",
        "settings",
        "Theme, and characters for plots and symbols",
        "settings",
    ),
    # Runs
    Key("runs.open", "enter", "enter", "open", "Open the run under the cursor", "open", 1),
    Key("runs.filter", "slash", "/", "filter", "Type filter words; the list follows as you type", "filter", 2),
    Key("runs.port", "p", "p", "port", "Pick ports, with counts with the current filter", "pick('port')", 3),
    Key("runs.mode", "m", "m", "mode", "Pick modes, with counts with the current filter", "pick('mode')", 4),
    Key("runs.device", "d", "d", "device", "Pick devices, with counts with the current filter", "pick('device')", 10),
    Key("runs.kind", "t", "t", "test", "Pick kinds of test, with counts with the current filter", "pick('kind')", 11),
    Key("runs.mark", "space", "space", "mark", "Mark or unmark the run under the cursor", "mark", 5),
    Key("runs.compare", "c", "c", "compare", "Overlay the marked runs", "compare", 6),
    Key("runs.query", "s", "s", "query", "Query in SQL", "go('query')", 7),
    Key("runs.import", "i", "i", "import", "Import a meter's export", "go('import')", 8),
    Key("runs.devices", "D", "D", "devices", "Go to the devices", "go('devices')", 9),
    Key("runs.bench", "b", "b", "bench", "Go to the bench: the test set up, or the next", "go('bench')", 14),
    Key("runs.sort", "o", "o", "order", "Choose the column that orders the list", "sort", 12),
    Key("runs.turn", "O", "O", "reverse", "Reverse the sort order", "turn_order"),
    Key("runs.columns", "C", "C", "columns", "Choose the columns and their order", "columns"),
    Key("runs.edit", "e", "e", "edit", "Correct facts of the marked runs, or of the one under the cursor", "edit", 13),
    Key("runs.undo", "u", "u", "undo", "Undo the last correction", "undo"),
    Key("runs.clear", "x", "x", "clear marks", "Clear all marks", "clear_marks"),
    Key("runs.down", "j,down", "j ↓", "next", "Next run", "down"),
    Key("runs.up", "k,up", "k ↑", "previous", "Previous run", "up"),
    Key("runs.page_down", "pagedown", "pgdn", "page down", "One page down", "page_down"),
    Key("runs.page_up", "pageup", "pgup", "page up", "One page up", "page_up"),
    Key("runs.first", "g,home", "g", "first", "First run", "first"),
    Key("runs.last", "G,end", "G", "last", "Last run", "last"),
    # Run
    Key("run.why", "enter", "enter", "why", "Explain the chosen result", "why", 1),
    Key("run.edit", "e", "e", "edit", "Correct this run's facts", "edit", 2),
    Key("run.voltage", "v", "v", "V", "Show or hide voltage", "channel('voltage_v')", 3),
    Key("run.current", "i", "i", "A", "Show or hide current", "channel('current_a')", 4),
    Key("run.power", "w", "w", "W", "Show or hide power", "channel('power_w')", 5),
    Key("run.temperature", "t", "t", "°C", "Show or hide temperature", "channel('temperature_c')", 6),
    Key("run.other", "o", "o", "other", "Choose among all channels of this run", "other_channels"),
    Key("run.zoom_in", "plus,equals_sign", "+", "zoom in", "Show half the time around the cursor", "zoom(0.5)", 7),
    Key("run.zoom_out", "minus", "-", "zoom out", "Show twice the time around the cursor", "zoom(2.0)", 8),
    Key("run.whole", "0", "0", "whole run", "Show the whole run again", "whole"),
    Key("run.left", "left,h", "←", "move", "Move the cursor back in time; the view follows", "move(-1)", 9),
    Key("run.right", "right,l", "→", "move", "Move the cursor on in time; the view follows", "move(1)", 10),
    Key("run.left_far", "shift+left,H", "shift+←", "far back", "Move the cursor a tenth of the view back", "move(-10)"),
    Key("run.right_far", "shift+right,L", "shift+→", "far on", "Move the cursor a tenth of the view on", "move(10)"),
    Key("run.event", "n", "n", "event", "Move the cursor to the next event", "event(1)", 11),
    Key("run.event_back", "N", "N", "event back", "Move the cursor to the previous event", "event(-1)"),
    Key("run.next", "right_square_bracket", "]", "next run", "Next run with the current filter", "neighbour(1)", 12),
    Key(
        "run.previous",
        "left_square_bracket",
        "[",
        "previous run",
        "Previous run with the current filter",
        "neighbour(-1)",
    ),
    Key("run.down", "down,j", "j ↓", "next line", "Next result", "down"),
    Key("run.up", "up,k", "k ↑", "previous line", "Previous result", "up"),
    Key("run.part", "tab", "tab", "facts", "Switch between results, facts, events and origin", "part(1)", 13),
    Key("run.part_back", "shift+tab", "shift+tab", "part back", "Switch back", "part(-1)"),
    Key("run.undo", "u", "u", "undo", "Undo the last correction", "undo"),
    Key("run.picture", "P", "P", "picture", "Draw this run as a picture: PNG or SVG", "picture"),
    # Compare
    Key("compare.voltage", "v", "v", "V", "Compare voltage", "channel('voltage_v')", 1),
    Key("compare.current", "i", "i", "A", "Compare current", "channel('current_a')", 2),
    Key("compare.power", "w", "w", "W", "Compare power", "channel('power_w')", 3),
    Key("compare.temperature", "t", "t", "°C", "Compare temperature", "channel('temperature_c')", 4),
    Key("compare.origin", "l", "l", "align", "Align at load-on or by clock time", "origin", 5),
    Key("compare.down", "down,j", "j ↓", "next line", "Next result", "down", 6),
    Key("compare.up", "up,k", "k ↑", "previous line", "Previous result", "up"),
    Key("compare.picture", "P", "P", "picture", "Draw these runs as a picture: PNG or SVG", "picture", 7),
    # Devices
    Key("devices.open", "enter", "enter", "open", "Open the device under the cursor", "open", 1),
    Key("devices.runs", "r", "r", "its runs", "List the runs of the device under the cursor", "runs", 2),
    Key("devices.mark", "space", "space", "mark", "Mark or unmark the device under the cursor", "mark", 6),
    Key(
        "devices.compare",
        "c",
        "c",
        "compare",
        "Compare the marked devices (one alone: with its peers)",
        "compare",
        7,
    ),
    Key("devices.choose", "n", "n", "choose", "Find devices that meet a set of requirements", "choose", 5),
    Key("devices.bench", "b", "b", "bench", "Set up the next test of the device under the cursor", "bench", 10),
    Key("devices.down", "j,down", "j ↓", "next", "Next device", "down", 3),
    Key("devices.up", "k,up", "k ↑", "previous", "Previous device", "up", 4),
    Key("devices.first", "g,home", "g", "first", "First device", "first"),
    Key("devices.last", "G,end", "G", "last", "Last device", "last"),
    Key("device.runs", "r", "r", "its runs", "List this device's runs", "runs", 1),
    Key(
        "device.claim", "1,2,3,4,5,6,7,8,9", "1-9", "claim", "List the runs behind that claim", "claim({key})", 7, False
    ),
    Key("device.bench", "b", "b", "bench", "Set up the next test of this device", "bench", 10),
    Key("device.down", "j,down", "j ↓", "down", "Scroll down", "down", 2),
    Key("device.up", "k,up", "k ↑", "up", "Scroll up", "up", 3),
    Key("device.next", "right_square_bracket", "]", "next", "Next device", "neighbour(1)", 4),
    Key("device.compare", "c", "c", "compare", "Compare this device with its peers", "compare", 8),
    Key("device.publish", "p", "p", "publish", "Write this device's report into a folder", "publish", 6),
    Key("device.picture", "P", "P", "picture", "Draw its energy over the load as a picture: PNG or SVG", "picture"),
    Key("device.previous", "left_square_bracket", "[", "previous", "Previous device", "neighbour(-1)", 5),
    Key("device.sheet", "e", "e", "sheet", "Correct this device's sheet", "sheet", 9),
    Key("device.why", "w", "w", "why", "Show how a figure of this device came about", "why", 11),
    Key("devices.sheet", "e", "e", "sheet", "Correct the sheet of the device under the cursor", "sheet", 8),
    Key("devices.new", "a", "a", "add", "Add a device", "new", 9),
    Key("sheet.write", "enter", "enter", "write", "Edit the line under the cursor", "write", 1),
    Key("sheet.port", "p", "p", "port", "Add a port", "add('port')", 3),
    Key("sheet.claim", "c", "c", "claim", "Add a claim of the maker", "add('claim')", 4),
    Key("sheet.mark", "m", "m", "mark", "Add a marking", "add('mark')", 5),
    Key("sheet.drop", "x", "x", "remove", "Remove the port, marking or claim under the cursor", "drop", 6),
    Key("sheet.undo", "u", "u", "undo", "Undo the last change of the sheet", "undo", 7),
    Key("sheet.save", "ctrl+s,f8", "^s", "save", "Save the sheet; old and new values are both kept", "save", 2),
    Key("sheet.down", "j,down", "j ↓", "next", "Next line", "down"),
    Key("sheet.up", "k,up", "k ↑", "previous", "Previous line", "up"),
    Key("sheet.first", "g,home", "g", "first", "First line", "first"),
    Key("sheet.last", "G,end", "G", "last", "Last line", "last"),
    Key("side.order", "o", "o", "order", "Choose the quantity that orders the devices and pairs them", "order", 1),
    Key("side.runs", "r", "r", "their runs", "List the runs of these devices", "runs", 2),
    Key("side.publish", "p", "p", "publish", "Write this comparison as a report into a folder", "publish", 3),
    Key("side.picture", "P", "P", "picture", "Draw the devices by one quantity: PNG or SVG", "picture", 6),
    Key("side.down", "j,down", "j ↓", "down", "Scroll down", "down", 4),
    Key("side.up", "k,up", "k ↑", "up", "Scroll up", "up", 5),
    Key("choose.need", "n", "n", "need", "Use another set of requirements", "need", 1),
    Key("choose.scheme", "s", "s", "scheme", "Use your own scoring scheme", "scheme", 4),
    Key("choose.down", "j,down", "j ↓", "down", "Scroll down", "down", 2),
    Key("choose.up", "k,up", "k ↑", "up", "Scroll up", "up", 3),
    # Ask
    Key("query.run", "ctrl+r,f8", "^r", "run", "Run the query (so does Enter after a semicolon)", "run", 1),
    Key("query.named", "ctrl+n", "^n", "saved", "Choose among the saved queries", "named", 3),
    Key("query.columns", "ctrl+t", "^t", "columns", "Insert a view or column name", "columns", 2),
    Key("query.keep", "ctrl+k", "^k", "save", "Save the query", "keep", 4),
    Key("query.older", "ctrl+up", "^↑", "older", "Previous query", "history(-1)"),
    Key("query.newer", "ctrl+down", "^↓", "newer", "Next query", "history(1)"),
    Key("query.draw", "ctrl+d", "^d", "draw", "Plot one column against another", "draw", 5),
    Key("query.save", "ctrl+s", "^s", "to file", "Save the result to a file", "save", 6),
    Key("query.switch", "f6", "F6", "query/result", "Switch between the query and its result", "switch", 7),
    # Import
    Key("import.path", "slash", "/", "choose file", "Type the path of a file or a folder", "path", 2),
    Key("import.go", "enter", "enter", "import", "Import every file without open questions", "go_ahead", 1),
    Key("import.answer", "a", "a", "answer", "Answer the first open question of this file", "answer", 6),
    Key("import.facts", "e", "e", "facts", "Set facts for all listed files", "facts", 9),
    Key("import.left", "left,h", "←", "column", "Choose the column before", "column(-1)"),
    Key("import.right", "right,l", "→", "column", "Choose the next column", "column(1)"),
    Key("import.change", "space", "space", "change", "Change the chosen fact of this file", "change", 3),
    Key("import.fill", "f", "f", "fill down", "Give the chosen fact of this file to all files below", "fill", 5),
    Key("import.take", "y", "y", "take ?", "Take the proposed facts (?) of this file", "take", 4),
    Key("import.take_all", "Y", "Y", "take all ?", "Take the proposed facts of all files", "take_all"),
    Key("import.join", "J", "J", "join", "Join the files that look like parts of one log", "join", 7),
    Key("import.group", "G", "G", "group", "Group the files that look simultaneous", "group", 8),
    Key("import.new_run", "o", "o", "own run", "Import a longer version of a log as a run of its own", "new_run"),
    Key("import.profile", "P", "P", "profile", "Keep how this file is read as a profile", "profile"),
    Key("import.drop", "x", "x", "leave out", "Leave the file under the cursor out", "drop", 11),
    Key("import.stop", "S", "S", "stop", "Stop after the file that is being read", "stop_import"),
    Key("import.undo", "u", "u", "undo", "Undo this import (asks first)", "undo"),
    Key(
        "import.watch",
        "w",
        "w",
        "watch",
        "Import files that appear in a folder, once they stop changing",
        "watch",
        12,
    ),
    Key("import.down", "j,down", "j ↓", "next", "Next file", "down", 13),
    Key("import.up", "k,up", "k ↑", "previous", "Previous file", "up"),
    # Bench
    Key("bench.next", "enter", "enter", "file it", "File the run; once filed, choose the next test", "next", 1),
    Key("bench.tick", "space", "space", "tick", "Tick the next thing to have ready", "tick", 2),
    Key("bench.note", "n", "n", "note", "Pin a note to this moment", "note", 3),
    Key("bench.facts", "e", "e", "facts", "State the facts of this test", "facts", 4),
    Key("bench.watch", "w", "w", "watch", "Name the export, or the folder that it comes into", "watch", 5),
    Key("bench.choose", "d", "d", "test", "Choose another device and test", "choose", 6),
    Key("bench.stop", "x", "x", "stop", "Stop following the export; the plan stays", "stop", 7),
    Key("bench.import", "i", "i", "import", "Look at the export in Import, with its questions", "import"),
    # Why
    Key("why.down", "j,down", "j ↓", "down", "Scroll down", "down", 1),
    Key("why.up", "k,up", "k ↑", "up", "Scroll up", "up", 2),
    # Guide
    Key("guide.next", "right_square_bracket", "]", "next", "Next page of the guide", "turn(1)", 1),
    Key("guide.previous", "left_square_bracket", "[", "previous", "Previous page of the guide", "turn(-1)", 2),
    Key("guide.choose", "enter", "enter", "pages", "Choose a page of the guide", "choose", 3),
    Key("guide.down", "j,down", "j ↓", "down", "Scroll down", "down", 4),
    Key("guide.up", "k,up", "k ↑", "up", "Scroll up", "up", 5),
    Key("guide.page_down", "pagedown,space", "pgdn", "page down", "One screen down", "page_down"),
    Key("guide.page_up", "pageup", "pgup", "page up", "One screen up", "page_up"),
    # Lists of meters, constants, changes
    Key("listing.open", "enter", "enter", "open", "Change or open the row under the cursor", "open", 1),
    Key("listing.add", "a", "a", "add", "Add a row", "add", 2),
    Key("listing.undo", "u", "u", "undo", "Undo the last change", "undo", 3),
    Key("listing.down", "j,down", "j ↓", "next", "Next row", "down", 4),
    Key("listing.up", "k,up", "k ↑", "previous", "Previous row", "up", 5),
    Key("listing.page_down", "pagedown", "pgdn", "page down", "One page down", "page_down"),
    Key("listing.page_up", "pageup", "pgup", "page up", "One page up", "page_up"),
    Key("listing.first", "g,home", "g", "first", "First row", "first"),
    Key("listing.last", "G,end", "G", "last", "Last row", "last"),
    # A page of an action
    Key("page.go_on", "enter", "enter", "do it", "Carry out what is shown", "go_on", 1),
    Key("page.undo", "u", "u", "undo", "Undo the last change", "undo", 4),
    Key("page.down", "j,down", "j ↓", "down", "Scroll down", "down", 2),
    Key("page.up", "k,up", "k ↑", "up", "Scroll up", "up", 3),
    Key("page.page_down", "pagedown,space", "pgdn", "page down", "One screen down", "page_down"),
    Key("page.page_up", "pageup", "pgup", "page up", "One screen up", "page_up"),
    # Actions
    Key("actions.take", "enter", "enter", "do it", "Do what is under the cursor", "take", 1),
    Key("actions.down", "down", "↓", "next", "Next action", "down", 2),
    Key("actions.up", "up", "↑", "previous", "Previous action", "up", 3),
    Key("actions.rub_out", "backspace", "bksp", "delete", "Delete the last typed letter", "rub_out", 4),
    # Pick lists
    Key("pick.toggle", "space", "space", "pick", "Pick or unpick the line", "pick_here", 1),
    Key("pick.take", "enter", "enter", "take", "Accept the picked lines, or the one under the cursor", "take", 2),
    Key("pick.down", "down", "↓", "next", "Next line", "down", 3),
    Key("pick.up", "up", "↑", "previous", "Previous line", "up", 4),
    Key("pick.earlier", "shift+up", "shift+↑", "earlier", "Move the line up", "shift(-1)"),
    Key("pick.later", "shift+down", "shift+↓", "later", "Move the line down", "shift(1)"),
    Key("pick.none", "delete", "del", "none", "Unpick everything", "none", 5),
    Key("pick.rub_out", "backspace", "bksp", "delete", "Delete the last typed letter", "rub_out"),
    # Editing facts
    Key("edit.save", "ctrl+s,f8", "^s", "save", "Save the corrections; old and new value are both kept", "save", 1),
    Key("edit.enter", "enter", "enter", "next", "Next field; from the last one, save", "enter"),
    Key("edit.next", "down,tab", "↓", "next field", "Next field", "next_field", 2),
    Key("edit.previous", "up,shift+tab", "↑", "previous field", "Previous field", "previous_field", 3),
    Key("edit.pick", "ctrl+t", "^t", "pick", "Pick among the values in use", "pick_value", 4),
)


def keys_of(place: str) -> tuple[Key, ...]:
    """The keys of one place, in the table's order."""
    return tuple(key for key in KEYS if key.place == place)


def bindings(place: str) -> list[BindingType]:
    """The place's keys as Textual wants them.

    Where text is typed the place's keys go before those of the field: a form's, so that what is typed next finds the
    next field, and those of Ask, whose editor would take ^d and ^k for itself.
    """
    return [
        Binding(
            pressed,
            key.action.replace("{key}", pressed),
            key.label,
            show=False,
            id=key.id if pressed == key.key else f"{key.id}.{pressed}",
            tooltip=key.tooltip,
            key_display=key.shown,
            priority=place in ("edit", "query"),
        )
        for key in keys_of(place)
        for pressed in (key.key.split(",") if "{key}" in key.action else [key.key])
    ]


def dialog_bindings(place: str) -> list[BindingType]:
    """The keys of what lies over a place: its own, and the way out, which a dialog does not get from the app."""
    everywhere = {key.id: key for key in keys_of("everywhere")}
    back, leave, keys = (everywhere[f"everywhere.{word}"] for word in ("back", "quit", "help"))
    return [
        *bindings(place),
        Binding(back.key, "app.back", back.label, show=False, tooltip=back.tooltip),
        Binding("ctrl+q", "app.leave", leave.label, show=False, tooltip=leave.tooltip),
        Binding("f1", "app.help", keys.label, show=False, tooltip=keys.tooltip),
    ]


DIALOGS = ("actions", "pick", "edit")
"""Places where letters are text: only the keys of everywhere that are no letters work there."""


def bar_keys(place: str) -> list[Key]:
    """The keys for the bottom line, most wanted first; those of everywhere come last."""
    general = keys_of("everywhere")
    if place in DIALOGS:
        shown = {"everywhere.back": ("esc", 90), "everywhere.help": ("F1", 91)}
        general = tuple(
            key._replace(shown=shown[key.id][0], bar=shown[key.id][1]) for key in general if key.id in shown
        )
    return sorted((key for key in (*keys_of(place), *general) if key.bar), key=lambda key: key.bar)


def as_markdown() -> str:
    """README's table of keys."""
    lines = ["| place | key | does |", "| --- | --- | --- |"]
    for place, title in PLACES.items():
        lines += [f"| {title} | `{key.shown}` | {key.tooltip} |" for key in keys_of(place)]
    return "\n".join(lines) + "\n"
