"""Pages as documents: roles come from cells and never from printed words, and a figure has one text."""

from __future__ import annotations

import math
import random

import pytest

from store import Library
from store.devices.sheet_reader import read_sheet
from store.documents.comparison import comparison_document
from store.documents.device import device_document
from store.documents.run import run_document
from store.documents.why import why_document
from store.model.document import Amount, Cell, Document, Role, Table, TableColumn, cells_of
from store.model.spec import Shown
from store.words.numbers import duration_text, figure_text
from tests.builders import make_store
from tui.render.format import ASCII_SIGNS
from tui.render.terminal import document_lines, document_text

SHEET = """
device = "PB-03"
kind = "power bank"
[rated]
energy_wh = 10
[mass_g]
device = 352
[[claim]]
quantity = "mass_g"
bound = "at most"
value = 400
unit = "g"
printed_on = "box, NOT METAL: not met, CAUTION:"
"""


def test_a_claim_is_coloured_by_its_verdict_and_not_by_what_is_printed(tmp_path):
    """A claim that is met stays met, whatever its box says; words that look like a verdict get no colour."""
    library = make_store(tmp_path, runs=1)
    library.devices.save(read_sheet(SHEET).sheet, who="a tester")
    page = library.devices.page("PB-03")
    assert [verdict.verdict for verdict in page.verdicts] == ["met"]
    lines = document_lines(device_document(page), width=120)
    spans = [span for line in lines for span in line]
    assert ("met", "accent") in spans
    assert not [text for text, role in spans if role == "warn" and ("NOT METAL" in text or "not met" in text)]


@pytest.fixture(scope="module")
def documents(demo_library) -> list[Document]:
    """Every page of the demo's devices, a comparison of each kind, and runs with their accounts."""
    library = Library.open(demo_library)
    made = [device_document(library.devices.page(row.device)) for row in library.devices.all()]
    for kind in ("power bank", "adapter", "cable"):
        names = [row.device for row in library.devices.all() if row.kind == kind]
        made.append(comparison_document(library.devices.compare(names)))
    made += [run_document(library.runs.get(run_id)) for run_id in (1, 33, 47, 65, 70, 78)]
    made.append(
        why_document(library.results.why(47, "energy_out_wh"), 47, library.results.redo_sql(47, "energy_out_wh"))
    )
    return made


def test_every_figure_of_the_demo_stands_in_the_text(documents):
    """What a cell's amount says is what is printed; the unit may stand in the head of its column."""
    looked_at = 0
    for document in documents:
        text = "\n".join(document_text(document))
        for cell in cells_of(document):
            if cell.quantity is not None:
                assert cell.quantity.text(with_unit=False) in text
                looked_at += 1
    assert looked_at > 800


@pytest.mark.parametrize("width", [57, 78, 117, 157])
def test_no_line_is_wider_than_the_terminal(documents, width):
    """Every page at every width: nothing runs over, for words are wrapped; statements of SQL stay as they are."""
    for document in documents:
        if not document.title.startswith("delivered energy, run"):
            lines = list(document_text(document, width=width))
            assert not [line for line in lines if len(line) > width][:3]


def test_ascii_signs_alone(documents):
    """With ASCII signs no page prints any other character."""
    for document in documents:
        assert all(line.isascii() for line in document_text(document, signs=ASCII_SIGNS, width=100))


def test_units_stand_in_the_head_where_a_column_shares_one():
    """A column of one unit names it once; of two, each cell names its own; words keep the unit beside the number."""

    def lines(*cells: Cell) -> list[str]:
        table = Table(
            (TableColumn("what"), TableColumn("value", is_number=True)), tuple((Cell("a"), cell) for cell in cells)
        )
        return list(document_text(Document("", (table,))))

    volts, watts = Cell(quantity=Amount(5.0, "V", 0.05)), Cell(quantity=Amount(30.0, "W", 0.5))
    assert lines(volts, volts) == ["  what     value, V", "  a     5.00 ± 0.10", "  a     5.00 ± 0.10"]
    assert "30.0 ± 1.0 W" in lines(volts, watts)[2]
    assert "value" in lines(volts, Cell("of 3", Amount(1.0, "V", 0.0)))[0]


@pytest.mark.parametrize(
    ("seconds", "u", "text"),
    [
        (37.24, 0.2, "37.2 ± 0.4 s"),
        (90.0, 0.2, "90.0 ± 0.4 s"),
        (1912.0, 50.0, "32 min ± 2 min"),
        (1912.0, 1.2, "31 min 52 s ± 3 s"),
        (7260.0, 30.0, "2 h 1 min ± 1 min"),
        (7260.0, None, "2 h 1 min"),
        (2700.0, 0.0, "45 min"),
        (7200.0, 0.0, "2 h"),
        (11216.0, 0.05, "3 h 6 min 56 s ± 1 s"),
        (0.0, 0.0, "0 s"),
        (0.412, None, "0.412 s"),
    ],
)
def test_durations_as_people_say_them(seconds, u, text):
    """Value and ± in the same units, no finer than a second from five minutes on, ± rounded up."""
    assert duration_text(seconds, u) == text


def test_printed_durations_hold_what_they_are_made_of():
    """Read back, the printed interval covers the one that was printed, but for half of its last unit."""
    seed = random.SystemRandom().randrange(10**6)
    print("seed", seed)
    draw = random.Random(seed)

    def seconds(text: str) -> float:
        size = {"h": 3600, "min": 60, "s": 1}
        words = text.replace(",", "").split()
        return sum(float(n) * size[unit] for n, unit in zip(words[::2], words[1::2], strict=True))

    for _ in range(500):
        value, u = 10 ** draw.uniform(2.5, 5), 10 ** draw.uniform(-2, 2.5)
        told, around = duration_text(value, u).split(" ± ")
        step = 60 if 2 * u >= 60 else 1
        assert abs(seconds(told) - value) <= step / 2 + 1e-9
        assert 2 * u <= seconds(around) + 1e-6
        assert seconds(around) < 2 * u + step + 1e-6


@pytest.mark.parametrize(
    ("value", "u", "unit", "shown", "text"),
    [
        (0.76768, 0.00095, "1", Shown.SHARE, "76.77 ± 0.19 %"),
        (16000.0, 0.0, "mAh", Shown.NUMBER, "16,000 mAh"),
        (61.6, 0.0, "Wh", Shown.NUMBER, "61.6 Wh"),
        (47.2912, 0.0578, "Wh", Shown.NUMBER, "47.29 ± 0.12 Wh"),
        (4.7419, None, "Wh", Shown.NUMBER, "4.742 Wh"),
        (math.nan, None, "Wh", Shown.NUMBER, ""),
        (3.0, 0.0, "1", Shown.COUNT, "3"),
    ],
)
def test_figures(value, u, unit, shown, text):
    """Digits that the expanded uncertainty supports; what is exact as it was stated."""
    assert figure_text(value, u, unit, shown) == text


def test_a_role_has_the_word_of_its_verdict():
    """Every verdict has a role; any other word is plain."""
    from store.uncertainty.decision import VERDICTS

    assert all(Role.of(word).value == word for word in VERDICTS)
    assert Role.of("NOT METAL") is Role.PLAIN
