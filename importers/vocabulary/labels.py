"""A column's words -> quantity, unit, role and port, with the reason in words.

Knows the vocabulary and text. Knows no values: what numbers say is in `physics`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache

from importers.vocabulary.port_words import take_port
from importers.vocabulary.symbols import Symbol, symbol_in
from importers.vocabulary.words import Unit, Vocabulary, is_cjk, normalise, plain_signs, tokens

__all__ = ["Label", "read_label"]

_BRACKETS = re.compile(r"[(\[{<【〔「]\s*([^()\[\]{}<>【】〔〕「」]*?)\s*[)\]}>】〕」]")
_SLASH = re.compile(r"^(.*\S)\s*/\s*(\([^()]*\)|[^/\s]+|[A-Za-zµ]+ ?h|(?:deg|grad|°) ?[CF])\s*$")
_TAIL = re.compile(r"^(.*?\S)(?:\s+in\s+|\s+en\s+|\s+w\s+|\s+em\s+|[\s_,;:.\-]+)([^\s_,;:.\-]+|[mkµu]?[AW] h)\s*$")
_GLUED = re.compile(r"^(.*?[a-z\u2e80-\u9fff\uac00-\ud7af])(m?Wh|m?Ah|kWh|[mµu]A|mV|m?W|[VA]|°[CF]|Hz|ms)$")
_LONE = frozenset({"A", "C"})
"""Letters that are a unit behind a quantity, and a port's name behind a port's word."""
_WEAK = frozenset({"bus"})
"""Places that stand for a quantity where no unit does."""
_THERMAL = frozenset({"case", "cell", "plug", "meter", "ambient", "second"})
_CLOCK_FORM = re.compile(
    r"^(h+[:.]?m+([:.]?s+)?([.,:](f+|z+|s+|0+|x+|ms))?|d+[./\-]m+[./\-]y+.*|y+[./\-]m+[./\-]d+.*|"
    r"m+[./\-]d+[./\-]y+.*|iso ?-?8601|mm:ss(.*)?)$",
    re.IGNORECASE,
)
_UNIT_QUANTITY = {"time": "elapsed", "percent": "percent"}
_MEASURED = frozenset({"voltage", "current", "power", "energy", "charge", "temperature"})
_ODD_SIGN = re.compile(r"[¡-©«-¯±-´¶¸»-¿×÷€-™\ufffd]")
"""Signs that stand in no unit's place but where a code page was taken for another."""
_DATA_LINES = frozenset({"dp", "dm", "cc1", "cc2"})
_TIME_WORDS = frozenset({"elapsed", "wall_clock", "date", "sample"})


@dataclass(frozen=True, slots=True)
class Label:
    """What a column's words say."""

    name: str
    """As in the file."""
    quantity: str | None = None
    """voltage, current, ..., elapsed, wall_clock, date, sample, port, text; None where the words say nothing."""
    unit: Unit | None = None
    unit_sure: bool = True
    """False where only the letters' case fits the unit."""
    role: str | None = None
    side: str | None = None
    """`out`, `in` as the label says it."""
    mains: str | None = None
    """`ac` or `dc`."""
    port: str | None = None
    index: str | None = None
    """Trailing number of a symbol or word (U1, Voltage 2): a port or a probe, the table decides."""
    unused: str = ""
    """Why a column of a known quantity is no reading: a maximum, a setting."""
    unknown: tuple[str, ...] = ()
    """Words that are not known, beside those that are."""
    clock_form: str = ""
    """`hh:mm:ss` and the like, as written in the label."""
    terms: tuple[str, ...] = ()
    """Kinds of evidence for the quantity, as `decide.weights` lists them."""
    reason: str = ""
    unread: str = ""
    """What stands where a unit does, and is none that is known."""
    is_far: bool = False
    """True for a voltage taken at the cable's far end that is the table's only one."""
    conflict: str = ""
    """Set where words and unit speak of different quantities."""


@lru_cache(maxsize=8192)
def read_label(name: str, unit_text: str, words: Vocabulary, *, ends_in_unit: bool = False) -> Label:
    """Read a column's name and the unit that stands in a row of its own (or empty text).

    Args:
        name: as in the file.
        unit_text: the unit's cell, or empty.
        words: the vocabulary.
        ends_in_unit: True where the table's other columns say that the last letter is a unit (`USB A` by `USB V`).
    """
    rest, unit, sure, form = _take_unit(plain_signs(name).strip(), words, ends_in_unit=ends_in_unit)
    unit_text = plain_signs(unit_text)
    if unit_text.strip():
        bare = unit_text.strip().strip("()[]{}<>").strip()
        own = words.unit(bare)
        if own is not None and (unit is None or own[0].quantity != unit.quantity or own[1]):
            unit, sure = own
        elif _CLOCK_FORM.match(bare):
            form = bare
        elif own is None:
            rest = f"{rest} {bare}"
    may_be_amps = unit is None or (unit.quantity == "current" and not ends_in_unit)
    rest, port, is_output = take_port(rest, is_alone=may_be_amps)
    label = Label(name, unit=unit, unit_sure=sure, clock_form=form, port=port)
    if is_output:
        label = replace(label, side="out")
    settled = _settle(_take_words(rest, label, words), words)
    if unit is None and not form and settled.quantity in _MEASURED and (inner := _unread(name, words)):
        return replace(settled, unread=inner, terms=(*settled.terms, "unit unread"))
    return settled


def _unread(name: str, words: Vocabulary) -> str:
    """What stands in brackets as a unit does and is neither a unit nor a known word."""
    for match in _BRACKETS.finditer(plain_signs(name)):
        inner = match.group(1).strip()
        said = tokens(inner)
        is_word = any((t,) in words.quantities or (t,) in words.roles or t in words.ignored for t in said)
        if _ODD_SIGN.search(inner):  # `[¡ãC]`: a unit in another code page
            return inner
        is_short = 0 < len(inner) <= 5 and not any(c.isdigit() or c.isspace() for c in inner)
        if is_short and not is_word and symbol_in(inner, words) is None and take_port(inner)[1] is None:
            return inner
    return ""


def _take_unit(name: str, words: Vocabulary, *, ends_in_unit: bool) -> tuple[str, Unit | None, bool, str]:
    """Cut the unit off a label: in brackets, after a slash, `in`, an underscore or a space, or the whole label."""
    form = ""
    for match in reversed(list(_BRACKETS.finditer(name))):
        inner = match.group(1)
        rest = (name[: match.start()] + " " + name[match.end() :]).strip()
        if (found := words.unit(inner)) is not None:
            return rest, found[0], found[1], form
        if _CLOCK_FORM.match(inner):
            form, name = inner, rest
    slash = _SLASH.match(name)
    if slash and (found := words.unit(slash.group(2).strip("() "))) is not None:
        return slash.group(1), found[0], found[1], form
    if (found := words.unit(name)) is not None and (len(name) > 1 or name in {"s", "h"}):
        return "", found[0], found[1], form
    tail = _TAIL.match(name)
    is_phrase = tokens(name) in words.quantities  # `Watt hours` is no watt in hours
    if tail and not is_phrase and (found := words.unit(tail.group(2))) is not None:
        is_unit = ends_in_unit or _tail_is_unit(tail, found[0], words)
        if is_unit:
            return tail.group(1), found[0], found[1], form
    glued = _GLUED.match(name)
    if glued and (found := words.unit(glued.group(2))) is not None and found[1]:
        return glued.group(1), found[0], True, form
    return name, None, True, form


def _tail_is_unit(match: re.Match[str], unit: Unit, words: Vocabulary) -> bool:
    """Tell `Voltage V` (unit) from `Port A`, `USB C` and `Bus voltage` (words)."""
    head, tail = tokens(match.group(1)), match.group(2)
    if (normalise(tail),) in words.quantities and len(tail) > 2:
        return unit.quantity == "time" and words.quantities[(normalise(tail),)] == "elapsed" and bool(head)
    if unit.quantity == "time" and words.roles.get((normalise(tail),)) == "statistic":
        return "elapsed" in {words.quantities.get(head[i:]) for i in range(len(head))} or head in {
            ("t",),
            (),
        }  # `V min`
    if tail in _LONE:
        if re.search(r"[:,]\s*.$", match.string) or normalise(match.group(1)) == normalise(tail):
            return True  # `DCI: A`; `A A` is amps twice
        said = {words.quantities.get(head[i:j]) for i in range(len(head)) for j in range(i + 1, len(head) + 1)}
        said |= {q for token in head for q in _inside(token, words)[0]}
        roles = {words.roles.get(head[i:j]) for i in range(len(head)) for j in range(i + 1, len(head) + 1)}
        symbol = symbol_in(take_port(match.group(1))[0], words)
        if symbol is not None:
            said.add(symbol.quantity)
            roles.add(symbol.role)
        if tail == "A":
            return unit.quantity in said or (bool(roles & {"out", "in", "dc"}) and not said - {None, "part"})
        return bool(said & {"temperature", "charge"}) or (bool(roles & _THERMAL) and not said - {None, "part"})
    return True


def _take_words(rest: str, label: Label, words: Vocabulary) -> Label:
    """Find quantity, role and side among the words, longest phrases first."""
    left = list(tokens("number" if rest.strip() in {"#", "№", "n°", "Nº"} else rest))
    quantities: list[tuple[str, str]] = []
    roles: list[str] = []
    partly = False
    size = min(words.longest, len(left))
    while size > 0:
        start = 0
        while start + size <= len(left):
            phrase = tuple(left[start : start + size])
            quantity, role = words.quantities.get(phrase), words.roles.get(phrase)
            if quantity is None and role is None:
                start += 1
                continue
            if role is not None:
                roles.append(role)
            if quantity is not None:
                quantities.append((quantity, " ".join(phrase)))
            left[start : start + size] = []
        size -= 1
    unknown: list[str] = []
    odd: list[str] = []
    for token in left:
        found_q, found_r, rest_of = _inside(token, words)
        quantities += [(q, token) for q in found_q]
        roles += found_r
        partly = partly or bool(found_q)
        if not found_q and not found_r and (token.isdigit() or token not in words.ignored):
            unknown.append(token)
        elif rest_of and (found_q or found_r):
            odd.append(rest_of)
    label = _with_roles(replace(label, unknown=(*(t for t in unknown if not t.isdigit()), *odd)), roles)
    return _with_quantity(label, rest, quantities, unknown, words, partly=partly)


@lru_cache(maxsize=8192)
def _inside(token: str, words: Vocabulary) -> tuple[list[str], list[str], str]:
    """Find known words inside a compound (Gehaeusetemperatur) or unspaced script, longest first; and what is left."""
    quantities: list[str] = []
    roles: list[str] = []
    least = 1 if is_cjk(token) else 4
    known: list[tuple[str, str | None, str | None]] = [
        (w[0], q, None) for w, q in words.quantities.items() if len(w) == 1
    ]
    known += [(w[0], None, r) for w, r in words.roles.items() if len(w) == 1]
    known.sort(key=lambda k: -len(k[0]))
    left = token
    for word, quantity, role in known:
        if len(word) < least or word not in left or (is_cjk(token) != is_cjk(word)):
            continue
        at_edge = left.startswith(word) or left.endswith(word)
        if not at_edge and least > 1:
            continue
        left = left.replace(word, "\x00", 1)
        if quantity is not None:
            quantities.append(quantity)
        if role is not None:
            roles.append(role)
    bare = left.replace("\x00", "")
    return quantities, roles, bare if len(bare) >= (1 if is_cjk(token) else 3) and not bare.isdigit() else ""


def _with_roles(label: Label, roles: list[str]) -> Label:
    changes: dict[str, str] = {}
    for role in roles:
        if role in {"out", "in"}:
            changes["side"] = role
        elif role in {"ac", "dc"}:
            changes["mains"] = role
        elif role == "statistic":
            changes["unused"] = "a maximum, minimum or spread, not a reading"
        elif role == "setpoint":
            changes["unused"] = "a setting, not a reading"
        elif role == "apparent":
            changes["unused"] = "apparent or reactive power, not real power"
        else:
            changes.setdefault("role", role)
    return replace(label, **changes)  # type: ignore[arg-type]


def _with_quantity(
    label: Label, rest: str, quantities: list[tuple[str, str]], unknown: list[str], words: Vocabulary, *, partly: bool
) -> Label:
    found = _main_quantity(label, quantities)
    if other := next((w for q, w in quantities if q == "other"), ""):
        return replace(label, quantity="other", unused=f"{other}: no channel is meant for it")
    if len(quantities) > 1 and any(q == "charge" for q, _ in quantities) and found and found[0] != "charge":
        label = replace(label, side=label.side or _charging_side(quantities))
    index = next((t for t in reversed(unknown) if t.isdigit()), None)
    if index is not None and label.port is None:
        label = replace(label, index=index)
    if found is not None:
        terms = (
            "compound" if partly else "word",
            *(("words unknown",) if any(not u.isdigit() for u in unknown) else ()),
        )
        return replace(label, quantity=found[0], terms=terms, reason=f"its name says {_named(found[0], label)}")
    symbol = symbol_in(rest, words)
    return label if symbol is None else _with_symbol(label, symbol, words)


def _main_quantity(label: Label, quantities: list[tuple[str, str]]) -> tuple[str, str] | None:
    """Choose among several quantity words: the unit's, else the last that is not `charge` or a time word."""
    if not quantities:
        return None
    if label.unit is not None and all(w in _WEAK for _, w in quantities):
        return None  # `Bus A`: the unit says what it is
    if label.unit is not None:
        for q, w in quantities:
            if q == _UNIT_QUANTITY.get(label.unit.quantity, label.unit.quantity):
                return q, w
    names = {q for q, _ in quantities}
    if "date" in names and names & {"elapsed", "wall_clock"}:
        return "wall_clock", " ".join(w for _, w in quantities)
    for wanted in ("wall_clock", "power_factor", "percent"):
        if wanted in names:
            return next(item for item in quantities if item[0] == wanted)
    physical = [item for item in quantities if item[0] not in {"text", "port", "sample", "part", "other"}]
    others = [item for item in physical if item[0] != "charge"] or physical or quantities
    return others[0]


def _charging_side(quantities: list[tuple[str, str]]) -> str | None:
    return "in" if any(q == "charge" and w.startswith("charg") for q, w in quantities) else None


def _with_symbol(label: Label, symbol: Symbol, words: Vocabulary) -> Label:
    """Read `U`, `I_out`, `Tcase`, `P1`, `DCV`, `Meas I` by the letter symbols of IEC 60027-1 (from memory)."""
    unit_quantity = label.unit.quantity if label.unit else None
    quantity: str | None = symbol.quantity
    if symbol.letter == "T" and unit_quantity == "time":
        quantity = "elapsed"
    elif symbol.letter == "t" and unit_quantity == "temperature":
        quantity = "temperature"
    elif symbol.letter in {"W", "w"}:
        quantity = "energy" if unit_quantity == "energy" else "power"
    elif symbol.letter in {"A", "a"}:
        quantity = "current" if unit_quantity in {None, "current"} else None
    elif symbol.letter == "C":
        quantity = unit_quantity if unit_quantity in {"charge", "temperature"} else None
    if quantity is None:
        return label
    label = replace(label, quantity=quantity, terms=("letter",), unknown=())
    if label.unit is None and symbol.letter in {"A", "W"}:  # no quantity's symbols: the units themselves
        label = replace(label, unit=words.units[symbol.letter])
    if symbol.index:
        label = replace(label, index=symbol.index)
    label = _with_roles(label, [r for r in (symbol.role, symbol.mains) if r])
    return replace(label, reason=f"the letter {symbol.letter} stands for {_named(quantity, label)}")


def _settle(label: Label, words: Vocabulary) -> Label:
    """Bring words and unit together: agreement, unit alone, or conflict."""
    if label.quantity is None and label.role in _DATA_LINES:
        label = replace(label, quantity="voltage", terms=("word",), reason="a data or configuration line's voltage")
    if (
        label.unit is not None
        and label.unit.symbol == "C"
        and (label.quantity == "temperature" or (label.quantity is None and label.role in _THERMAL))
    ):
        label = replace(label, unit=words.units["°C"], unit_sure=True)  # a bare C beside a temperature is no coulomb
    unit = label.unit
    if unit is None:
        return label
    by_unit = _UNIT_QUANTITY.get(unit.quantity, unit.quantity)
    if label.quantity == "other" or (by_unit == "percent" and label.quantity is None and not _is_level(label)):
        return label  # a share of what is not known
    said = f"in {unit.symbol}"
    if label.quantity == by_unit and not label.unit_sure and len(unit.symbol) > 1:
        label = replace(label, unit_sure=True)  # `MAH` behind a charge: a megaampere is none
    if label.quantity is None:
        return replace(
            label,
            quantity=by_unit,
            terms=("unit",) if label.unit_sure else ("unit", "case differs"),
            reason=f"its unit {unit.symbol} says {_say(by_unit)}",
        )
    if label.quantity == by_unit or (label.quantity in _TIME_WORDS and by_unit == "elapsed"):
        terms = (*label.terms, "unit agrees", *(() if label.unit_sure else ("case differs",)))
        quantity = "elapsed" if label.quantity in _TIME_WORDS and label.quantity != "wall_clock" else label.quantity
        return replace(label, quantity=quantity, terms=terms, reason=f"{label.reason}, {said}")
    if {label.quantity, by_unit} <= {"charge", "energy"}:
        return replace(
            label,
            quantity=by_unit,
            terms=("unit",),
            reason=f"its unit {unit.symbol} says {_say(by_unit)}, though its name says {_say(label.quantity)}",
        )
    if label.quantity in {"text", "port", "sample", "percent", "part"} or (
        by_unit == "percent" and label.quantity in {"charge", "energy", "power_factor"}
    ):
        return replace(
            label,
            quantity=by_unit if label.quantity != "power_factor" else "power_factor",
            terms=("unit",),
            reason=f"its unit {unit.symbol} says {_say(by_unit)}",
        )
    if not label.unit_sure:
        return replace(label, unit=None, unit_sure=True)
    return replace(label, conflict=f"the name says {_say(label.quantity)}, the unit {unit.symbol} says {_say(by_unit)}")


def _is_level(label: Label) -> bool:
    """Tell a charge level: `Battery %`, `Display %`; a lone percent sign may be the share of anything."""
    return label.role in {"cell", "display"}


_PLACES = {
    "case": "case",
    "cell": "cell",
    "plug": "plug",
    "meter": "meter's own",
    "ambient": "ambient",
    "second": "second probe's",
    "far": "far end's",
    "display": "display's",
    "dp": "data line D+",
    "dm": "data line D-",
    "cc1": "configuration line CC1",
    "cc2": "configuration line CC2",
}


def _named(quantity: str, label: Label) -> str:
    """Say a quantity with its place and side, as a tester would."""
    side = {"ac": "AC ", "dc": "DC "}.get(label.mains or "", "")
    place = f"{_PLACES[label.role]} " if label.role in _PLACES else ""
    return f"{side}{place}{_say(quantity)}"


def _say(quantity: str) -> str:
    return {
        "elapsed": "elapsed time",
        "wall_clock": "date and time",
        "sample": "a sample number",
        "power_factor": "power factor",
        "text": "text",
        "percent": "a percentage",
    }.get(quantity, quantity)
