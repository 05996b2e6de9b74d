"""Facts as a person types them: written one way, or refused with what to write."""

import pytest

from importers.schema import Facts
from store.errors import WrongFact
from store.runs.fact_values import checked_fact, checked_facts, tidy_mode
from store.usb.offers import mode_fits


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("20V", "fixed 20 V"),
        ("20 v", "fixed 20 V"),
        ("fixed 9V", "fixed 9 V"),
        ("5V", "5 V"),
        ("default 5 V", "default 5 V"),
        ("pps 9 V", "PPS 9 V"),
        ("pps 3.3-21v", "PPS 3.3-21 V"),
        ("fixed 5/9/12 V", "fixed 5/9/12 V"),
        ("trickle", "trickle"),
        (None, None),
    ],
)
def test_modes_are_written_one_way(typed, kept):
    """What a claim names and what a run says must be one text."""
    assert tidy_mode(typed) == kept


def test_five_volts_alone_fits_either_way_of_getting_them():
    """Without a word for the supply 5 V may be negotiated or not; a programmable supply is neither."""
    assert mode_fits("fixed 5 V", "5 V")
    assert mode_fits("default 5 V", "5 V")
    assert not mode_fits("PPS 3.3-21 V", "5 V")
    assert not mode_fits("fixed 9 V", "5 V")


@pytest.mark.parametrize("typed", ["30 W", "1,5 A", "500 mA", "5 ohm", "0 to 3 A", "2.4 A rising", "no load"])
def test_loads_that_are_read(typed):
    """As the course of tests writes them."""
    assert checked_fact("load_set", typed) == typed


@pytest.mark.parametrize(("typed", "said"), [("30", "30 W, 30 A or 30 ohm"), ("abc", "30 W, 2 A"), ("W", "30 W")])
def test_loads_that_are_not_read_are_refused(typed, said):
    """Half a load would let a verdict miss its run."""
    with pytest.raises(WrongFact, match=said):
        checked_fact("load_set", typed)


def test_facts_of_an_import_are_checked_together():
    """A kind with a letter missing is no kind."""
    assert checked_facts(Facts(mode="20V", load="30 W", kind="discharge")).mode == "fixed 20 V"
    with pytest.raises(WrongFact, match="Did you mean discharge"):
        checked_facts(Facts(kind="discharg"))
    assert checked_facts(Facts()) == Facts()
