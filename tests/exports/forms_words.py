"""Words of nine languages, and their code pages, for the invented exports in other forms.

Written down here from general knowledge of the languages, not taken from the importer's vocabulary.
"""

from __future__ import annotations

QUANTITIES = ("voltage", "current", "power", "energy", "charge", "temperature")

WORDS: dict[str, dict[str, tuple[str, ...]]] = {
    "ru": {
        "time": ("Время", "Прошло", "Длительность"),
        "stamp": ("Дата и время", "Метка времени"),
        "voltage": ("Напряжение", "Напряжение на выходе"),
        "current": ("Ток", "Сила тока", "Ток нагрузки"),
        "power": ("Мощность",),
        "energy": ("Энергия",),
        "charge": ("Ёмкость", "Заряд"),
        "temperature": ("Температура", "Температура корпуса"),
        "sample": ("№", "Номер"),
    },
    "uk": {
        "time": ("Час", "Минуло"),
        "stamp": ("Дата і час", "Дата й час"),
        "voltage": ("Напруга", "Вихідна напруга"),
        "current": ("Струм", "Сила струму"),
        "power": ("Потужність",),
        "energy": ("Енергія",),
        "charge": ("Ємність", "Заряд"),
        "temperature": ("Температура", "Температура корпусу"),
        "sample": ("№", "Номер"),
    },
    "tr": {
        "time": ("Süre", "Geçen süre", "Zaman"),
        "stamp": ("Tarih ve saat", "Zaman damgası"),
        "voltage": ("Gerilim", "Voltaj"),
        "current": ("Akım", "Çıkış akımı"),
        "power": ("Güç",),
        "energy": ("Enerji",),
        "charge": ("Kapasite", "Yük miktarı"),
        "temperature": ("Sıcaklık", "Kasa sıcaklığı"),
        "sample": ("Sıra no", "Örnek"),
    },
    "cs": {
        "time": ("Čas", "Doba", "Uplynulý čas"),
        "stamp": ("Datum a čas", "Časová značka"),
        "voltage": ("Napětí", "Výstupní napětí"),
        "current": ("Proud",),
        "power": ("Výkon",),
        "energy": ("Energie",),
        "charge": ("Náboj", "Kapacita"),
        "temperature": ("Teplota", "Teplota pouzdra"),
        "sample": ("Číslo", "Vzorek"),
    },
    "hu": {
        "time": ("Idő", "Eltelt idő"),
        "stamp": ("Dátum és idő", "Időbélyeg"),
        "voltage": ("Feszültség", "Kimeneti feszültség"),
        "current": ("Áram", "Áramerősség"),
        "power": ("Teljesítmény",),
        "energy": ("Energia",),
        "charge": ("Töltés", "Kapacitás"),
        "temperature": ("Hőmérséklet", "Ház hőmérséklete"),
        "sample": ("Sorszám", "Minta"),
    },
    "sv": {
        "time": ("Tid", "Förfluten tid"),
        "stamp": ("Datum och tid", "Tidsstämpel"),
        "voltage": ("Spänning", "Utspänning"),
        "current": ("Ström",),
        "power": ("Effekt",),
        "energy": ("Energi",),
        "charge": ("Laddning", "Kapacitet"),
        "temperature": ("Temperatur", "Höljets temperatur"),
        "sample": ("Nummer", "Mätvärde nr"),
    },
    "fi": {
        "time": ("Aika", "Kulunut aika"),
        "stamp": ("Päivämäärä ja aika", "Aikaleima"),
        "voltage": ("Jännite", "Lähtöjännite"),
        "current": ("Virta",),
        "power": ("Teho",),
        "energy": ("Energia",),
        "charge": ("Varaus", "Kapasiteetti"),
        "temperature": ("Lämpötila", "Kotelon lämpötila"),
        "sample": ("Numero", "Näyte"),
    },
    "el": {
        "time": ("Χρόνος", "Διάρκεια"),
        "stamp": ("Ημερομηνία και ώρα", "Χρονοσφραγίδα"),
        "voltage": ("Τάση", "Τάση εξόδου"),
        "current": ("Ρεύμα", "Ένταση"),
        "power": ("Ισχύς",),
        "energy": ("Ενέργεια",),
        "charge": ("Φορτίο", "Χωρητικότητα"),
        "temperature": ("Θερμοκρασία", "Θερμοκρασία περιβλήματος"),
        "sample": ("Αριθμός", "Δείγμα"),
    },
    "ko": {
        "time": ("시간", "경과 시간"),
        "stamp": ("날짜 및 시간", "타임스탬프"),
        "voltage": ("전압", "출력 전압"),
        "current": ("전류",),
        "power": ("전력",),
        "energy": ("에너지", "전력량"),
        "charge": ("용량", "전하량"),
        "temperature": ("온도", "케이스 온도"),
        "sample": ("번호",),
    },
    "zh": {
        "time": ("时间", "运行时间"),
        "stamp": ("日期时间",),
        "voltage": ("电压", "输出电压"),
        "current": ("电流",),
        "power": ("功率",),
        "energy": ("能量", "电能"),
        "charge": ("容量",),
        "temperature": ("温度", "外壳温度"),
        "sample": ("序号",),
    },
    "ja": {
        "time": ("経過時間", "時間"),
        "stamp": ("日時",),
        "voltage": ("電圧", "出力電圧"),
        "current": ("電流",),
        "power": ("電力",),
        "energy": ("電力量",),
        "charge": ("容量",),
        "temperature": ("温度", "筐体温度"),
        "sample": ("番号",),
    },
    "en": {
        "time": ("Time", "Elapsed"),
        "stamp": ("Timestamp", "Date and time"),
        "voltage": ("Voltage",),
        "current": ("Current",),
        "power": ("Power",),
        "energy": ("Energy",),
        "charge": ("Charge", "Capacity"),
        "temperature": ("Temperature", "Case temperature"),
        "sample": ("Sample", "No."),
    },
}

CODE_PAGES: dict[str, tuple[str, ...]] = {
    "ru": ("utf-8", "cp1251", "koi8-r"),
    "uk": ("utf-8", "cp1251"),
    "tr": ("utf-8", "cp1254"),
    "cs": ("utf-8", "cp1250"),
    "hu": ("utf-8", "cp1250"),
    "sv": ("utf-8", "cp1252"),
    "fi": ("utf-8", "cp1252"),
    "el": ("utf-8", "cp1253"),
    "ko": ("utf-8", "euc-kr"),
    "zh": ("utf-8", "gb18030"),
    "ja": ("utf-8", "shift-jis"),
}

CYRILLIC_UNITS: dict[str, dict[str, str]] = {
    "ru": {
        "V": "В", "mV": "мВ", "A": "А", "mA": "мА", "W": "Вт", "mW": "мВт", "Wh": "Вт·ч", "mWh": "мВт·ч",
        "Ah": "А·ч", "mAh": "мА·ч", "°C": "°С", "s": "с", "ms": "мс", "min": "мин", "h": "ч",
    },
    "uk": {
        "V": "В", "mV": "мВ", "A": "А", "mA": "мА", "W": "Вт", "mW": "мВт", "Wh": "Вт·год", "mWh": "мВт·год",
        "Ah": "А·год", "mAh": "мА·год", "°C": "°С", "s": "с", "ms": "мс", "min": "хв", "h": "год",
    },
}  # fmt: skip
"""GOST 8.417 and DSTU 3651 write the unit signs so (from memory)."""

TIME_UNITS: dict[str, dict[str, str]] = {
    "tr": {"s": "sn", "min": "dk"},
    "cs": {"h": "hod"},
    "hu": {"min": "perc", "h": "óra"},
    "sv": {"h": "tim"},
    "ko": {"s": "초", "min": "분"},
    "zh": {"s": "秒", "min": "分"},
    "ja": {"s": "秒", "min": "分"},
}
"""Units of time as they are written beside the international ones."""
