"""What the invented tables call things: written down here from how people label columns, not from the vocabulary."""

from __future__ import annotations

FAMILIES: dict[str, dict[str, str]] = {
    "letters": {"voltage": "V", "current": "A", "power": "W", "charge": "Ah", "energy": "Wh", "temperature": "C"},
    "symbols": {"voltage": "U", "current": "I", "power": "P", "charge": "Q", "energy": "E", "temperature": "T"},
    "mixed symbols": {"voltage": "V", "current": "I", "power": "P", "charge": "Q", "energy": "E", "temperature": "T"},
    "out": {
        "voltage": "V_out",
        "current": "I_out",
        "power": "P_out",
        "charge": "Q_out",
        "energy": "E_out",
        "temperature": "T_case",
    },
    "glued out": {
        "voltage": "Vout",
        "current": "Iout",
        "power": "Pout",
        "charge": "Qout",
        "energy": "Eout",
        "temperature": "Tcase",
    },
    "load": {
        "voltage": "V_load",
        "current": "I_load",
        "power": "P_load",
        "charge": "Q_load",
        "energy": "E_load",
        "temperature": "T case",
    },
    "measured": {
        "voltage": "Meas V",
        "current": "Meas I",
        "power": "Meas P",
        "charge": "Meas Q",
        "energy": "Meas E",
        "temperature": "Meas T",
    },
    "dc": {
        "voltage": "DCV",
        "current": "DCI",
        "power": "DC power",
        "charge": "DC charge",
        "energy": "DC energy",
        "temperature": "Case",
    },
    "bus": {
        "voltage": "VBUS",
        "current": "IBUS",
        "power": "PBUS",
        "charge": "Charge",
        "energy": "Energy",
        "temperature": "Temp",
    },
    "plain": {
        "voltage": "Volts",
        "current": "Amps",
        "power": "Watts",
        "charge": "Amp hours",
        "energy": "Watt hours",
        "temperature": "Temp",
    },
    "words": {
        "voltage": "Output voltage",
        "current": "Output current",
        "power": "Output power",
        "charge": "Charge delivered",
        "energy": "Energy delivered",
        "temperature": "Case temperature",
    },
    "de": {
        "voltage": "Spannung",
        "current": "Strom",
        "power": "Leistung",
        "charge": "Ladung",
        "energy": "Energie",
        "temperature": "Temperatur",
    },
    "zh": {
        "voltage": "电压",
        "current": "电流",
        "power": "功率",
        "charge": "容量",
        "energy": "能量",
        "temperature": "温度",
    },
    "ja": {
        "voltage": "電圧",
        "current": "電流",
        "power": "電力",
        "charge": "容量",
        "energy": "電力量",
        "temperature": "温度",
    },
}
"""What a maker of logs calls quantities, by habit; units come behind it in one of `STYLES`."""

PLACED: dict[str, dict[str, str]] = {
    "usb": {"voltage": "USB {}", "current": "USB {}", "power": "USB {}"},
    "output": {"voltage": "Output {}", "current": "Output {}", "power": "Output {}"},
    "load": {"voltage": "Load {}", "current": "Load {}", "power": "Load {}"},
    "bank": {"voltage": "Bank {}", "current": "Bank {}", "power": "Bank {}"},
    "twice": {"voltage": "V {}", "current": "A {}", "power": "W {}"},
    "under": {"voltage": "V_{}", "current": "A_{}", "power": "W_{}"},
}
"""A place with the bare unit behind it: `USB V` beside `USB A`; and the unit behind itself: `A A`, `A_A`."""

STYLES = ("{n} ({u})", "{n} [{u}]", "{n}/{u}", "{n}_{u}", "{n} {u}", "{n}: {u}", "{n}, {u}", "{n}({u})", "{n} in {u}")
WIDE_STYLES = (  # full-width forms of an input method: the mark is the point
    "{n}（{u}）",
    "{n}［{u}］",
    "{n}【{u}】",
    "{n} 〔{u}〕",
    "{n}｛{u}｝",
    "{n}：{u}",
    "{n}／{u}",
)
DEGREES = ("°C", "C", "˚C", "ºC", "℃", "degC", "deg C", "° C", "oC")
LOOK_ALIKES: dict[str, tuple[str, ...]] = {
    "V": ("V", "В", "Ｖ", "v"),
    "A": ("A", "А", "Ａ"),
    "W": ("W", "Ｗ"),
    "mA": ("mA", "mА", "мА", "ｍＡ", "ma"),
    "mV": ("mV", "мВ", "ｍＶ"),
    "mW": ("mW", "ｍＷ"),
    "Wh": ("Wh", "W·h", "W⋅h", "W∙h", "WH", "wh"),
    "mWh": ("mWh", "mW·h", "mWH"),
    "Ah": ("Ah", "A·h", "A⋅h", "AH"),
    "mAh": ("mAh", "mA·h", "mAH", "MAH"),
    "°C": (*DEGREES, "С", "°С"),
}
"""Spellings of one unit: other alphabets' letters, full-width forms, other points, another case."""

ROOMS: dict[str, tuple[str, ...]] = {
    "temperature_ambient_c": ("Room", "Ambient", "T_amb", "Tamb", "Room temp", "T room", "Air temp", "Ambient T"),
    "temperature_c": ("Case", "T case", "T_case", "Case temp", "Surface", "Tcase", "Housing T"),
    "temperature_cell_c": ("Cell", "T_cell", "Cell temp", "Battery temp", "Tcell"),
    "temperature_plug_c": ("Plug", "T_plug", "Plug temp", "Connector temp"),
    "temperature_meter_c": ("Meter", "T_meter", "Meter temp", "Board temp"),
}
"""Temperatures by their place."""

PARTING: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "port": (("Port", "Outlet", "Anschluss", "Prise"), ("C1", "C2", "A1")),
    "channel": (("Channel", "Ch", "Kanal"), ("1", "2", "3")),
    "device": (("Device", "DUT", "Unit under test", "Item", "Asset"), ("PB-07", "PB-11", "PB-12")),
    "serial": (("Serial", "S/N", "Serial no", "ID"), ("004217", "004218", "004240")),
    "sensor": (("Sensor", "Probe", "Node", "Station"), ("S1", "S2", "S3")),
    "test": (("Test", "Run", "Test no", "Session", "Experiment"), ("1", "2", "3")),
    "cycle": (("Cycle", "Loop", "Repeat", "Zyklus"), ("1", "2", "3")),
    "odd": (("Zorb", "Quarl", "Which"), ("left", "right", "middle")),
}
"""Columns that say which of several things a row is of: names and values."""

STATES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Status", ("CC", "CV")),
    ("Mode", ("PD", "QC")),
    ("Flag", ("0", "1")),
    ("Remark", ("ok", "")),
)
"""Texts and marks that are no readings and part nothing."""

UNKNOWN = ("Zorb", "Qx17", "Blarg", "Kvist", "Fnord", "Tillo")
"""Names that nobody can read."""
NO_READINGS = ("Max current", "Set voltage", "Min V", "Peak power", "Target current", "Voltage limit")
"""What a person reads as a setting or an extreme."""
