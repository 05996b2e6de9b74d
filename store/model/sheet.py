"""A device's sheet: what a person writes down while unboxing, as frozen records.

Knows no file, no TOML, no catalogue and no screen. Reading and writing the TOML is `sheet_reader` and
`sheet_writer`; what the fields mean for a verdict is `results.verdict`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from store.methods.specs import label_of

__all__ = [
    "BOUNDS",
    "CLAIM_WORDS",
    "DEVICE_KINDS",
    "LISTINGS",
    "PORT_DIRECTIONS",
    "ClaimSheet",
    "DeviceSheet",
    "MarkSheet",
    "PortSheet",
]

DEVICE_KINDS: tuple[str, ...] = ("power bank", "adapter", "cable")
BOUNDS: tuple[str, ...] = ("at least", "at most", "about")
PORT_DIRECTIONS: tuple[str, ...] = ("in", "out", "both")
LISTINGS: tuple[str, ...] = ("found", "not found", "not looked for")

CLAIM_WORDS: tuple[str, ...] = ("offers", "flight")
"""Quantities whose claimed value is words, not a number."""


@dataclass(frozen=True, slots=True)
class PortSheet:
    """One connector, by its marking."""

    name: str
    connector: str = ""
    direction: str = "out"
    """`in`, `out` or `both`."""
    offers: tuple[str, ...] = ()
    """As typed: `fixed 5/9/12/15/20 V 3 A`, `PPS 3.3-21 V 3 A`, `0x0001912C`."""


@dataclass(frozen=True, slots=True)
class MarkSheet:
    """A mark seen on the case, and whether a certificate listing was found for it."""

    name: str
    listing: str = "not looked for"


@dataclass(frozen=True, slots=True)
class ClaimSheet:
    """A number, or a word, that the maker prints; with where, and under what condition."""

    quantity: str = ""
    """A result's name, or mass_g, rated_energy_wh, offers, flight; empty for a claim kept as text."""
    bound: str = ""
    """`at least`, `at most`, `about`; empty for claims in words."""
    value: float | None = None
    """In `unit`, as typed."""
    value_text: str = ""
    """The claimed value where it is words: `PPS 3.3-21 V 3 A`, or what could not be read as a number."""
    unit: str = ""
    """As typed; the result's own unit where empty."""
    tolerance_percent: float | None = None
    """Half-width of the interval of an `about` claim, percent of the value."""
    port: str | None = None
    mode: str | None = None
    load: str | None = None
    kind: str | None = None
    ambient_c: float | None = None
    """Ambient at which the claim is said to hold; runs within 3 K count."""
    condition: str = ""
    """As printed, free text."""
    printed_on: str = ""
    text: str = ""
    """The claim word for word, where the tester kept it."""
    line: int | None = field(default=None, compare=False)
    """Line of the sheet that it came from."""

    def words(self) -> str:
        """The claim in a line: `delivered energy at least 48 Wh (C1, fixed 20 V, 30 W)`."""
        said, narrowed = self.said(), self.narrowed()
        return f"{said} ({narrowed})" if narrowed else said

    def said(self) -> str:
        """What is claimed, as people say it: `delivered energy at least 48 Wh`."""
        stated = f"{self.value:.10g}" if self.value is not None else self.value_text
        name = label_of(self.quantity) if self.quantity else ""
        unit = "" if self.unit == "1" else self.unit
        head = " ".join(part for part in (name, self.bound, stated, unit) if part)
        if self.bound == "about" and self.tolerance_percent is not None:
            head += f" within {self.tolerance_percent:g} %"
        return head or self.text or self.condition

    def narrowed(self) -> str:
        """Under which condition: `C1, fixed 20 V, 30 W`; empty where any will do."""
        ambient = f"{self.ambient_c:g} °C" if self.ambient_c is not None else ""
        return ", ".join(part for part in (self.port, self.mode, self.load, self.kind, ambient) if part)


@dataclass(frozen=True, slots=True)
class DeviceSheet:
    """One tested sample, as its sheet describes it. None and empty text are 'not stated'."""

    device: str
    """The tester's own inventory code."""
    kind: str
    """`power bank`, `adapter` or `cable`."""
    maker: str = ""
    model: str = ""
    serial: str = ""
    note: str = ""
    made_on: date | None = None
    """Date of manufacture where marked: it decides which efficiency limits apply."""
    capacity_mah: float | None = None
    """Rated charge of the cells."""
    cell_voltage_v: float | None = None
    rated_energy_wh: float | None = None
    output_w: float | None = None
    """An adapter's nameplate, a power bank's total."""
    current_a: float | None = None
    """A cable's rated current."""
    mass_g: float | None = None
    """The device alone."""
    mass_cable_g: float | None = None
    mass_packaging_g: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    price: float | None = None
    currency: str = ""
    price_on: date | None = None
    ports: tuple[PortSheet, ...] = ()
    marks: tuple[MarkSheet, ...] = ()
    claims: tuple[ClaimSheet, ...] = ()

    @property
    def energy_wh(self) -> float | None:
        """Rated energy [Wh]: as marked, else capacity times cell voltage, else None."""
        if self.rated_energy_wh is not None:
            return self.rated_energy_wh
        if self.capacity_mah is None or self.cell_voltage_v is None:
            return None
        return self.capacity_mah * self.cell_voltage_v / 1000

    @property
    def volume_cm3(self) -> float | None:
        """Length x width x height [cm3], or None where a side is not stated."""
        if self.length_mm is None or self.width_mm is None or self.height_mm is None:
            return None
        return self.length_mm * self.width_mm * self.height_mm / 1000

    def port(self, name: str) -> PortSheet | None:
        """The port of that marking, or None."""
        return next((port for port in self.ports if port.name == name), None)
