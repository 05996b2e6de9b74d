"""Actions on meters: their limits of error, their calibrations.

Knows the library and text; no Textual.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from importers.schema import CHANNELS
from store.model.document import TableColumn as Head
from store.model.records import Calibration, Meter
from store.model.results import Correction
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
)
from tui.state.sheet_draft import Field

if TYPE_CHECKING:
    from store import Library

__all__ = ["ACTIONS"]


_SPECS = ("voltage", "current", "power", "temperature")
_METER_FIELDS = (
    Field("name", "meter", hint="as runs state it"),
    Field("voltage", "voltage", hint="0.05% + 2d(0.001): % of reading + digits of that size"),
    Field("current", "current", hint="0.1% + 2d(0.001)"),
    Field("power", "power", hint="only where it logs power itself, as on the mains"),
    Field("temperature", "temperature", hint="1% + 5d(0.1)"),
    Field("clock", "clock", hint="50 ppm; 0.1 % is assumed where empty"),
    Field("note", "note"),
    REASON,
)


def _meter_texts(meter: Meter) -> dict[str, str]:
    return {
        "name": meter.name,
        **{name: getattr(meter, f"{name}_spec") for name in (*_SPECS, "clock")},
        "note": meter.note,
    }


def _known_meter(library: Library, name: str) -> Meter | None:
    return {meter.name: meter for meter in library.meters.all()}.get(name)


def _meter_form(library: Library, subject: Subject) -> Form:
    known = _known_meter(library, subject.key) if subject.key else None
    if known is None:
        return Form("a meter and its limits of error", _METER_FIELDS, {"name": subject.key})
    return Form(f"meter {known.name}: limits of error", _METER_FIELDS, _meter_texts(known), "voltage")


def _spec(work: ActionWork, name: str) -> str:
    from store.uncertainty.accuracy import SpecError, parse_spec
    from store.uncertainty.clock import ClockError, parse_clock

    text = work.text(name)
    try:
        if text and name == "clock":
            parse_clock(text)
        elif text:
            parse_spec(text)
    except (SpecError, ClockError) as error:
        raise Unfit(name, f"{name}: {error}") from None
    return text


def _meter(work: ActionWork) -> Done:
    name = work.needed("name", "meter: name it as runs state it.")
    specs = {key: _spec(work, key) for key in (*_SPECS, "clock")}
    before = _known_meter(work.library, name)
    old = before or Meter(name)
    new = Meter(
        name, specs["voltage"], specs["current"], specs["temperature"], old.calibrated_on, work.text("note"),
        specs["power"], specs["clock"],
    )  # fmt: skip
    work.library.meters.add(new, reason=work.text("reason"))
    if before is None:
        return Done(f"meter {name} added")
    undo = UndoCall(f"meter {name}", lambda library: library.meters.add(before, reason="undone"))
    return Done(f"meter {name} saved; results that rest on it are recomputed", undo=undo)


def _meters(library: Library) -> Listing:
    rows = tuple(
        ListingRow(
            m.name,
            (m.name, m.voltage_spec, m.current_spec, m.power_spec, m.temperature_spec, str(m.calibrated_on or "")),
            "  ".join(part for part in (f"clock {m.clock_spec}" if m.clock_spec else "", m.note) if part),
            "meter",
        )
        for m in library.meters.all()
    )
    heads = ("meter", "voltage", "current", "power", "temperature", "calibrated")
    nothing = "No meters yet: a adds one. Without its accuracy a result has no uncertainty."
    return Listing("Meters", tuple(map(Head, heads)), rows, nothing, "meter", "change")


# calibrations
_PER_CHANNEL = ("voltage_v", "current_a", "temperature_c")


def _calibration_form(library: Library, subject: Subject) -> Form:
    meters = tuple(meter.name for meter in library.meters.all())
    fields = (
        Field("meter", "meter", offered=meters),
        Field("day", "calibrated on", hint="2026-01-10"),
        Field("by", "by", hint="who did it"),
        Field("document", "certificate"),
        Field("due", "due again", hint="2027-01-10"),
        *(
            Field(f"{part}-{channel}", f"{channel.partition('_')[0]} {part}", hint=hint)
            for channel in _PER_CHANNEL
            for part, hint in (("gain", "1: true value = gain times reading plus offset"), ("offset", "0"))
        ),
        Field("found", "as found"),
        Field("adjusted", "adjusted"),
        REASON,
    )
    return Form("a calibration", fields, {"meter": subject.key or (meters[0] if len(meters) == 1 else "")})


def _day(work: ActionWork, key: str, label: str) -> date | None:
    text = work.text(key)
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Unfit(key, f"{label}: {text} is not a date; write 2026-01-10.") from None


def _calibration(work: ActionWork) -> Done:
    meter = work.needed("meter", "meter: which one was calibrated?")
    if _known_meter(work.library, meter) is None:
        raise Unfit("meter", f"meter: there is no {meter}; add it first (action `meters`).")
    day = _day(work, "day", "calibrated on")
    if day is None:
        raise Unfit("day", "calibrated on: on which day? Write 2026-01-10.")
    source = ", ".join(part for part in (work.text("document"), str(day)) if part)
    corrections = []
    for channel in _PER_CHANNEL:
        gain = number_in(work, f"gain-{channel}", "gain")
        offset = number_in(work, f"offset-{channel}", "offset")
        if gain is not None or offset is not None:
            corrections.append(
                Correction(channel, 1.0 if gain is None else gain, 0.0 if offset is None else offset, source)
            )
    work.library.meters.add_calibration(
        Calibration(
            meter, day, work.text("by"), work.text("document"), _day(work, "due", "due again"),
            found=work.text("found"), adjusted=work.text("adjusted"), corrections=tuple(corrections),
        ),
        reason=work.text("reason"),
    )  # fmt: skip
    return Done(f"calibration of {meter} on {day} kept; its runs from that day on are recomputed")


def _calibrations(library: Library) -> Listing:
    units = {channel.name: channel.unit for channel in CHANNELS}
    rows = tuple(
        ListingRow(
            c.meter,
            (c.meter, str(c.calibrated_on), str(c.due_on or ""), c.done_by, c.document),
            "; ".join(
                f"{of.channel.partition('_')[0]} gain {of.gain:g}, offset {of.offset:g} {units.get(of.channel, '')}"
                for of in c.corrections
            )
            or "no corrections",
        )
        for c in library.meters.calibrations()
    )
    heads = ("meter", "calibrated", "due again", "by", "certificate")
    nothing = "No calibrations yet: a adds one."
    return Listing("Calibrations", tuple(map(Head, heads)), rows, nothing, "calibration")


ACTIONS: tuple[Action, ...] = (
    Action(
        "meters", "meters", "List the meters with their accuracy; add or change one", "instrument accuracy spec",
        ("meter",), listing=_meters,
    ),
    Action(
        "meter", "add a meter", "Enter a meter with its limits of error", "instrument accuracy new", ("meter",),
        form=_meter_form, do=_meter,
    ),
    Action(
        "calibrations", "calibrations", "List calibrations with their corrections; add one", "certificate due",
        listing=_calibrations,
    ),
    Action(
        "calibration", "add a calibration", "Enter a calibration of a meter, with corrections",
        "certificate gain offset", form=_calibration_form, do=_calibration,
    ),
)  # fmt: skip
