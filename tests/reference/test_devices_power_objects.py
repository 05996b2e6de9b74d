"""USB PD objects and ratings against worked values.

Layout: Linux `include/linux/usb/pd.h`, an independent transcription of R3.2 V1.1 tables 6.7 and 6.8, a vendor's
reference for peak current; the words below were worked from it by hand. Ratings: R3.0 V1.1 Table 10-7, two secondary
tables.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.usb.offers import OfferError, mode_fits, offered_current_a, offered_power_w, read_mode, read_offer
from store.usb.power_objects import PowerObject, PowerObjectError, decode, decode_request, encode
from store.usb.power_rating import duties, programmable_top_v, shortfalls


def fixed(volts: float, amps: float, *flags: str) -> PowerObject:
    return PowerObject("fixed", volts, volts, amps, flags=flags)


def pps(low: float, high: float, amps: float, *, limited: bool = False) -> PowerObject:
    return PowerObject("PPS", low, high, amps, is_power_limited=limited)


FOUR = ("dual-role power", "unconstrained power", "USB communications", "dual-role data")
WORKED = [
    (0x0001912C, fixed(5, 3)),
    (0x2E01912C, fixed(5, 3, *FOUR)),
    (0x0002D12C, fixed(9, 3)),
    (0x0002D0DE, fixed(9, 2.22)),
    (0x0003C0E1, fixed(12, 2.25)),
    (0x0004B12C, fixed(15, 3)),
    (0x00064145, fixed(20, 3.25)),
    (0x000641F4, fixed(20, 5)),
    (0x0008C1F4, fixed(28, 5)),
    (0x000B41F4, fixed(36, 5)),
    (0x000F01F4, fixed(48, 5)),
    (0x590190B4, PowerObject("battery", 5, 20, power_w=45)),
    (0x8F0190C8, PowerObject("variable", 5, 12, 2)),
    (0xC076213C, pps(3.3, 5.9, 3)),
    (0xC0DC213C, pps(3.3, 11, 3)),
    (0xC0DC2164, pps(3.3, 11, 5)),
    (0xC1A42164, pps(3.3, 21, 5)),
    (0xC9A4213C, pps(3.3, 21, 3, limited=True)),
    (0xC1A43264, pps(5, 21, 5)),
    (0xD230968C, PowerObject("EPR AVS", 15, 28, power_w=140)),
    (0xD3C096F0, PowerObject("EPR AVS", 15, 48, power_w=240)),
    (0xE004B12C, PowerObject("SPR AVS", 9, 20, 3, 3)),
    (0xE004B0E1, PowerObject("SPR AVS", 9, 20, 3, 2.25)),
    (0xE004B1F4, PowerObject("SPR AVS", 9, 20, 3, 5)),
]


def test_there_are_twenty_four_worked_objects() -> None:
    assert len({word for word, _ in WORKED}) == 24


@pytest.mark.parametrize(("word", "item"), WORKED)
def test_worked_object_decodes(word: int, item: PowerObject) -> None:
    assert decode(word) == item


@pytest.mark.parametrize(("word", "item"), WORKED)
def test_worked_object_encodes(word: int, item: PowerObject) -> None:
    assert encode(item) == word


@given(st.integers(0, 2**32 - 1))
def test_any_word_is_an_object_that_encodes_to_the_same_fields_or_is_refused(word: int) -> None:
    try:
        item = decode(word)
    except PowerObjectError:
        assert word >> 28 == 0xF
        return
    assert decode(encode(item)) == item


@pytest.mark.parametrize("word", [-1, 1 << 32, 0xF0000000])
def test_word_that_is_no_object_is_refused(word: int) -> None:
    with pytest.raises(PowerObjectError):
        decode(word)


@pytest.mark.parametrize("item", [fixed(5.01, 3), fixed(60, 3), fixed(5, -1), PowerObject("magic", 5, 5, 3)])
def test_what_fits_no_field_is_refused(item: PowerObject) -> None:
    with pytest.raises(PowerObjectError):
        encode(item)


def test_worked_requests() -> None:
    request = decode_request(0x2003212C, "fixed")
    assert (request.position, request.current_a, request.highest_current_a) == (2, 2.0, 3.0)
    request = decode_request(0x5003843C, "PPS")
    assert (request.position, request.voltage_v, request.current_a) == (5, 9.0, 3.0)


@pytest.mark.parametrize(
    ("watts", "amps"),
    [
        (10, {5: 2}),
        (15, {5: 3}),
        (18, {5: 3, 9: 2}),
        (20, {5: 3, 9: 2.2222}),
        (25, {5: 3, 9: 2.7778}),
        (27, {5: 3, 9: 3}),
        (30, {5: 3, 9: 3, 15: 2}),
        (45, {5: 3, 9: 3, 15: 3}),
        (60, {5: 3, 9: 3, 15: 3, 20: 3}),
        (65, {5: 3, 9: 3, 15: 3, 20: 3.25}),
        (87, {5: 3, 9: 3, 15: 3, 20: 4.35}),
        (100, {5: 3, 9: 3, 15: 3, 20: 5}),
        (120, {5: 3, 9: 3, 15: 3, 20: 5, 28: 4.2857}),
        (140, {5: 3, 9: 3, 15: 3, 20: 5, 28: 5}),
        (180, {5: 3, 9: 3, 15: 3, 20: 5, 28: 5, 36: 5}),
        (200, {5: 3, 9: 3, 15: 3, 20: 5, 28: 5, 36: 5, 48: 4.1667}),
        (240, {5: 3, 9: 3, 15: 3, 20: 5, 28: 5, 36: 5, 48: 5}),
    ],
)
def test_what_a_rating_must_offer(watts: float, amps: dict[float, float]) -> None:
    found = {duty.voltage_v: round(duty.current_a, 4) for duty in duties(watts)}
    assert found == amps


def test_truncated_current_does_not_make_a_rating_false() -> None:
    """20 W at 9 V is usually coded 2.22 A = 19.98 W."""
    assert shortfalls(20, [fixed(5, 3), fixed(9, 2.22)]) == ()
    assert shortfalls(20, [fixed(5, 3), fixed(9, 2.0)]) == ("fixed 9 V 2.222 A is due, 2 A is offered.",)
    assert shortfalls(30, [fixed(5, 3), fixed(9, 3)]) == ("fixed 15 V 2 A is missing.",)


@pytest.mark.parametrize("watts", [0.4, 241])
def test_rating_out_of_range_is_refused(watts: float) -> None:
    with pytest.raises(ValueError, match=r"0\.5 to 240 W"):
        duties(watts)


@pytest.mark.parametrize(("watts", "top"), [(15, 5.9), (18, 11), (27, 11), (45, 16), (60, 21), (100, 21)])
def test_programmable_range_by_rating(watts: float, top: float) -> None:
    assert programmable_top_v(watts) == top


@pytest.mark.parametrize(
    ("text", "supplies"),
    [
        ("fixed 5/9/12/15/20 V 5 A", tuple(fixed(v, 5) for v in (5, 9, 12, 15, 20))),
        ("PPS 3.3-21 V 5 A", (pps(3.3, 21, 5),)),
        ("pps 3,3\u201321V 5A", (pps(3.3, 21, 5),)),
        ("0x0001912C", (fixed(5, 3),)),
        ("c9a4213c", (pps(3.3, 21, 3, limited=True),)),
        ("20V 3.25A", (fixed(20, 3.25),)),
        ("fixed 20 V 65 W", (fixed(20, 3.25),)),
        ("default 5 V 500 mA", (PowerObject("default", 5, 5, 0.5),)),
        ("AVS 9-20 V 3 A", (PowerObject("SPR AVS", 9, 20, 3, 3),)),
        ("AVS 15-28 V 140 W", (PowerObject("EPR AVS", 15, 28, power_w=140),)),
        ("battery 5-20 V 45 W", (PowerObject("battery", 5, 20, power_w=45),)),
    ],
)
def test_offers_are_read_as_people_write_them(text: str, supplies: tuple[PowerObject, ...]) -> None:
    assert read_offer(text) == supplies


@pytest.mark.parametrize("text", ["", "fast", "PPS 21-3.3 V 3 A", "PPS 21 V 3 A", "fixed 5-20 V 3 A", "0xF0000000"])
def test_offers_that_say_nothing_are_refused(text: str) -> None:
    with pytest.raises(OfferError):
        read_offer(text)


def test_five_volts_at_five_hundred_watts_can_not_be() -> None:
    with pytest.raises(OfferError, match="500 W at 5 V"):
        read_offer("fixed 5 V 100 A")


@pytest.mark.parametrize(
    ("wanted", "actual", "fits"),
    [
        ("fixed 20 V", "fixed 20 V", True),
        ("20V", "fixed 20 V", True),
        ("fixed 20 V", "fixed 9 V", False),
        ("PPS 3.3-21 V", "PPS 3.3\u201321 V", True),
        ("PPS 3.3-21 V", "PPS 9 V", True),
        ("PPS 9 V", "PPS 3.3-21 V", False),
        ("fixed 9 V", "PPS 9 V", False),
        ("SPR AVS 9-20 V", "AVS 9-20 V", True),
        ("oddity", "Oddity ", True),
        ("oddity", "fixed 9 V", False),
        ("fixed 5 V", None, False),
    ],
)
def test_modes_fit_whatever_their_spelling(wanted: str, actual: str | None, fits: bool) -> None:
    assert mode_fits(wanted, actual) is fits


def test_rated_current_of_a_mode_comes_from_the_offers() -> None:
    offers = ["fixed 5/9/12/15 V 3 A", "fixed 20 V 5 A", "PPS 3.3-21 V 3 A", "unreadable"]
    assert offered_current_a(offers, "fixed 20 V") == 5
    assert offered_power_w(offers, "fixed 20 V") == 100
    assert offered_power_w(offers, "PPS 3.3\u201321 V") == 63
    assert offered_current_a(offers, "fixed 28 V") is None
    assert offered_current_a(offers, None) is None
    mode = read_mode("pps 3.3-21V")
    assert mode is not None
    assert mode.words() == "PPS 3.3\u201321 V"
    assert mode.nominal_v is None


def test_default_five_volts_give_what_the_five_volt_offer_gives() -> None:
    assert offered_current_a(["fixed 5 V 3 A", "fixed 9 V 2 A"], "default 5 V") == 3
