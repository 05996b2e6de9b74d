"""Device sheets: read, refused, questioned, written back."""

from __future__ import annotations

import tomllib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.devices.sheet_reader import SheetRefused, read_sheet
from store.devices.sheet_writer import TEMPLATE, write_sheet
from store.errors import StoreError
from store.model.sheet import ClaimSheet, DeviceSheet, MarkSheet, PortSheet
from store.words.toml_lines import line_of, locate

FULL = """\
device = "PB-03"
kind = "power bank"
maker = "..."
[rated]
capacity_mah = 16000
cell_voltage_v = 3.85
energy_wh = 61.6
output_w = 60
[mass_g]
device = 352.0
cable = 41
packaging = 120
[size_mm]
length = 152
width = 71
height = 25
[price]
amount = 59.90
currency = "EUR"
on = 2026-02-01
[[port]]
name = "C1"
connector = "USB-C"
direction = "both"
offers = ["fixed 5/9/12/15/20 V 3 A", "PPS 3.3-21 V 3 A", "0x0001912C"]
[[mark]]
name = "[bold]"
listing = "not found"
[[claim]]
quantity = "energy_out_wh"
bound = "at least"
value = 48.0
unit = "Wh"
port = "C1"
mode = "fixed 20 V"
load = "30 W"
kind = "discharge"
condition = "as printed, free text"
printed_on = "case"
"""


def refused(text: str) -> list[tuple[int | None, str]]:
    with pytest.raises(SheetRefused) as caught:
        read_sheet(text, "pb.toml")
    return [(problem.line, problem.message) for problem in caught.value.problems]


def test_full_sheet_reads_into_records() -> None:
    reading = read_sheet(FULL)
    sheet = reading.sheet
    assert reading.questions == ()
    assert (sheet.device, sheet.kind, sheet.capacity_mah) == ("PB-03", "power bank", 16000)
    assert sheet.price_on == date(2026, 2, 1)
    assert sheet.volume_cm3 == pytest.approx(269.8)
    assert sheet.ports[0].offers[2] == "0x0001912C"
    assert sheet.marks == (MarkSheet("[bold]", "not found"),)
    assert sheet.claims[0].words() == "delivered energy at least 48 Wh (C1, fixed 20 V, 30 W, discharge)"
    assert sheet.claims[0].line == 29


def test_rated_energy_comes_from_capacity_where_it_is_not_marked() -> None:
    """72 Wh: 20,000 mAh of 3.6 V cells. Common practice, no source."""
    sheet = read_sheet('device="a"\nkind="power bank"\n[rated]\ncapacity_mah = 20000\ncell_voltage_v = 3.6\n').sheet
    assert sheet.energy_wh == pytest.approx(72.0)


def test_written_sheet_reads_back_alike() -> None:
    sheet = read_sheet(FULL).sheet
    assert read_sheet(write_sheet(sheet)).sheet == sheet


@given(
    device=st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1).filter(lambda s: s.strip()),
    note=st.text(st.characters(codec="utf-8", exclude_categories=("Cs",))),
    value=st.floats(allow_nan=False, allow_infinity=False),
    amount=st.floats(min_value=1e-6, max_value=1e6),
)
def test_any_text_survives_the_round_trip(device: str, note: str, value: float, amount: float) -> None:
    """Brackets, quotes, control characters and escapes are kept as typed."""
    claim = ClaimSheet(quantity="mass_g", bound="at most", value=value, condition="x")
    sheet = DeviceSheet(device.strip(), "cable", note=note, price=amount, claims=(claim,))
    assert read_sheet(write_sheet(sheet)).sheet == sheet


def test_template_is_a_sheet_and_every_line_of_it_can_be_filled_in() -> None:
    assert read_sheet(TEMPLATE).sheet == DeviceSheet("PB-00", "power bank")
    lines = [line.removeprefix("# ") if " = " in line or "[[" in line[:4] else line for line in TEMPLATE.splitlines()]
    filled = "\n".join(line for line in lines if not line.startswith("#") and "only `device`" not in line.lower())
    sheet = read_sheet(filled).sheet
    assert sheet.claims[0].tolerance_percent == 5
    assert sheet.ports[0].name == "C1"
    assert sheet.current_a == 5


def test_unknown_key_is_named_with_line_and_the_likely_word() -> None:
    text = FULL.replace("capacity_mah", "capacity_mAh").replace("printed_on", "printed_in")
    assert refused(text) == [
        (5, "pb.toml, line 5: `capacity_mAh` in [rated] is not a key of a device sheet. Did you mean `capacity_mah`?"),
        (39, "pb.toml, line 39: `printed_in` in [claim] is not a key of a device sheet. Did you mean `printed_on`?"),
    ]


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("device = 352.0", "device = -352.0", 10, "above 0"),
        ("capacity_mah = 16000", "capacity_mah = 0", 5, "above 0"),
        ("amount = 59.90", "amount = -1", 18, "above 0"),
        ("fixed 5/9/12/15/20 V 3 A", "fixed 5 V 100 A", 25, "500 W at 5 V"),
        ('kind = "power bank"', 'kind = "powerbank"', 2, "Did you mean `power bank`"),
        ('bound = "at least"', 'bound = "minimum"', 31, "at least, at most, about"),
        ('direction = "both"', 'direction = "bot"', 24, "Did you mean `both`"),
        ("length = 152", 'length = "152 mm"', 14, "should be a number"),
        ("length = 152", "length = nan", 14, "should be a number"),
        ("on = 2026-02-01", 'on = "1 Feb"', 20, "a date"),
        ('kind = "discharge"', 'kind = "discharging"', 37, "Did you mean `discharge`"),
        ('device = "PB-03"', "", None, "`device` is missing"),
        ("[mass_g]", "[mass_g", 9, "not TOML"),
    ],
)
def test_what_can_not_be_is_refused_with_its_line(old: str, new: str, line: int | None, words: str) -> None:
    found = refused(FULL.replace(old, new, 1))
    assert len(found) == 1
    assert found[0][0] == line
    assert words in found[0][1]


def test_all_mistakes_are_told_at_once() -> None:
    assert len(refused(FULL.replace("352.0", "-1").replace("59.90", "-1").replace('"C1"', '""', 1))) >= 3


def test_rated_energy_that_contradicts_the_capacity_is_questioned() -> None:
    reading = read_sheet(FULL.replace("energy_wh = 61.6", "energy_wh = 74"), "pb.toml")
    assert reading.sheet.rated_energy_wh == 74
    assert [q.line for q in reading.questions] == [7]
    assert "contradicts 16000 mAh x 3.85 V = 61.6 Wh by +20 %" in reading.questions[0].message


def test_rated_energy_within_five_percent_is_not_questioned() -> None:
    assert read_sheet(FULL.replace("energy_wh = 61.6", "energy_wh = 64.6")).questions == ()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("device = 352.0", "device = 352000", "Is the unit right?"),
        ("PPS 3.3-21 V 3 A", "magic charge", "kept as text"),
        ("PPS 3.3-21 V 3 A", "fixed 20 V 6 A", "5 A at most"),
        ('port = "C1"', 'port = "C2"', "Port `C2` is not described; there are C1."),
    ],
)
def test_what_can_hardly_be_is_questioned_and_kept(old: str, new: str, words: str) -> None:
    reading = read_sheet(FULL.replace(old, new, 1))
    assert len(reading.questions) == 1
    assert words in reading.questions[0].message


def test_claim_about_two_ports_at_once_is_no_unknown_port() -> None:
    text = FULL.replace('port = "C1"', 'port = "C1+A1"') + '[[port]]\nname = "A1"\n'
    assert read_sheet(text).questions == ()


def test_claim_that_is_no_number_is_kept_as_typed() -> None:
    text = 'device="a"\nkind="cable"\n[[claim]]\nvalue = "lots"\n[[claim]]\ntext = "charges a phone 4 times"\n'
    claims = read_sheet(text).sheet.claims
    assert claims[0].value_text == "lots"
    assert claims[1].text == "charges a phone 4 times"
    assert read_sheet(write_sheet(read_sheet(text).sheet)).sheet.claims == claims


def test_port_described_twice_is_refused() -> None:
    assert "twice" in refused(FULL + '[[port]]\nname = "C1"\n')[0][1]


def test_refusal_belongs_to_the_store_family() -> None:
    assert issubclass(SheetRefused, StoreError)


def test_port_has_a_direction_by_default() -> None:
    assert PortSheet("C1").direction == "out"


TRICKY = '''\
a = 1 # ["""
b = """
[[port]]
c = 1
"""
[t."x.y"]
list = [
  "]", # ]
  "d = 1",
]
e.f = 2
[[port]]
[[port.inner]]
g = {h = 1}
[[port]]
[[port.inner]]
k = \'\'\'
x\'\'\'
'''


def test_lines_are_found_through_multi_line_text_and_lists() -> None:
    tomllib.loads(TRICKY)
    lines = locate(TRICKY)
    assert lines[("b",)] == 2
    assert ("c",) not in lines
    assert lines[("t", "x.y", "list")] == 7
    assert lines[("t", "x.y", "e", "f")] == 11
    assert lines[("port", 1)] == 15
    assert lines[("port", 0, "inner", 0, "g")] == 14
    assert lines[("port", 1, "inner", 0, "k")] == 17
    assert line_of(lines, ("port", 0, "inner", 0, "g", "h")) == 14
    assert line_of(lines, ("none",)) is None
