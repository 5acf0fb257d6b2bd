"""What the columns of a log are: recognised by name and unit, or as a person says."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Final

from service.errors import SettingsError
from service.storage.log_layout import TableLayout
from service.storage.log_stamps import is_stamp

__all__ = ["ROLES", "ColumnUse", "LogColumns", "columns_of"]

ROLES: Final = ("time", "processor", "ambient", "power", "level", "fan", "pump")
"""What a column can be."""

_WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "time": (
        "time",
        "timestamp",
        "datetime",
        "date",
        "elapsed",
        "seconds",
        "clock",
        "zeit",
        "zeitstempel",
        "datum",
        "uhrzeit",
        "t",
    ),
    "processor": ("processor", "prozessor", "cpu", "package", "die", "core", "kern"),
    "ambient": ("ambient", "room", "air", "intake", "inlet", "umgebung", "raum", "luft", "zuluft"),
    "power": ("power", "leistung", "watt", "watts"),
    "level": ("laeq", "level", "spl", "pegel", "noise"),
    "fan": ("fan", "fans", "lüfter"),
    "pump": ("pump", "pumpe"),
}
"""Words by which a column is known, best first."""
_UNITS: Final[Mapping[str, tuple[str, float, float]]] = {
    "c": ("temperature", 1.0, 0.0),
    "degc": ("temperature", 1.0, 0.0),
    "f": ("temperature", 5.0 / 9.0, -160.0 / 9.0),
    "degf": ("temperature", 5.0 / 9.0, -160.0 / 9.0),
    "k": ("temperature", 1.0, -273.15),
    "w": ("power", 1.0, 0.0),
    "mw": ("power", 1e-3, 0.0),
    "kw": ("power", 1e3, 0.0),
    "rpm": ("speed", 1.0, 0.0),
    "1/min": ("speed", 1.0, 0.0),
    "db": ("level", 1.0, 0.0),
    "dba": ("level", 1.0, 0.0),
    "db(a)": ("level", 1.0, 0.0),
    "s": ("time", 1.0, 0.0),
    "sec": ("time", 1.0, 0.0),
    "ms": ("time", 1e-3, 0.0),
    "us": ("time", 1e-6, 0.0),
    "min": ("time", 60.0, 0.0),
    "h": ("time", 3600.0, 0.0),
    "%": ("share", 1.0, 0.0),
    "percent": ("share", 1.0, 0.0),
    "v": ("voltage", 1.0, 0.0),
    "a": ("current", 1.0, 0.0),
    "mhz": ("frequency", 1.0, 0.0),
    "hz": ("frequency", 1.0, 0.0),
}
"""Unit: what it measures, and its factor and offset to C, W, rpm, dB or s."""
_MEASURED: Final[Mapping[str, str]] = {
    "time": "time",
    "processor": "temperature",
    "ambient": "temperature",
    "power": "power",
    "level": "level",
    "fan": "speed",
    "pump": "speed",
}
_IN_BRACKETS: Final = re.compile(r"[\[(/,]\s*([^\[\](),/]+(?:\(A\))?)\s*[\])]?\s*\Z")
_BEHIND: Final = re.compile(r"[_ ](degc|degf|c|f|k|mw|kw|w|rpm|dba|db|ms|us|s|sec|min|percent)\Z")


@dataclass(frozen=True, slots=True)
class ColumnUse:
    """One column that is used."""

    place: int
    """Which one, counted from 0."""
    name: str
    """Its name in the table."""
    unit: str
    """Its unit in small letters; empty where none stands there."""

    @property
    def factor(self) -> float:
        """What its numbers are multiplied by."""
        return _UNITS[self.unit][1] if self.unit else 1.0

    @property
    def offset(self) -> float:
        """What is added to them then."""
        return _UNITS[self.unit][2] if self.unit else 0.0


@dataclass(frozen=True, slots=True)
class LogColumns:
    """What each column of a log is."""

    time: tuple[ColumnUse, ...]
    """The time, or date and time of day."""
    processor: tuple[ColumnUse, ...] = ()
    """Temperature of the processor."""
    ambient: tuple[ColumnUse, ...] = ()
    """Temperature of the air."""
    power: tuple[ColumnUse, ...] = ()
    """Power; several are added up."""
    level: tuple[ColumnUse, ...] = ()
    """A-weighted level."""
    fan: tuple[ColumnUse, ...] = ()
    """Speeds of fans."""
    pump: tuple[ColumnUse, ...] = ()
    """Speeds of pumps."""
    others: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Further columns that a role could have been, by role."""

    def words(self) -> str:
        """Say which column is taken for what."""
        parts = []
        for role in ROLES:
            used: tuple[ColumnUse, ...] = getattr(self, role)
            if used:
                names = " + ".join(
                    f"{each.name!r}"
                    + (f" in {each.unit}" if each.unit not in ("", "c", "w") else "")
                    for each in used
                )
                parts.append(f"{role} {names}")
        return ", ".join(parts)


def columns_of(layout: TableLayout, said: Mapping[str, str]) -> LogColumns:
    """Tell what the columns of a log are.

    Parameters
    ----------
    layout : TableLayout
        Its layout.
    said : mapping of str to str
        What a person says: the column of a role, several joined by ``+``, its unit in brackets
        behind it if it is another; ``-`` for none.

    Returns
    -------
    LogColumns
        The columns; those of which there is none are empty.

    Raises
    ------
    SettingsError
        If a role or a column that was said is none.
    """
    uses = [
        ColumnUse(place, name, _unit_of(name, layout.units[place]))
        for place, name in enumerate(layout.names)
    ]
    found: dict[str, tuple[ColumnUse, ...]] = {}
    others: dict[str, tuple[str, ...]] = {}
    for role, text in said.items():
        if role not in ROLES:
            raise SettingsError(
                f"A column is {', '.join(ROLES[:-1])} or {ROLES[-1]}, not {role!r}."
            )
        found[role] = () if text.strip() == "-" else _said(text, uses)
    taken = {each.place for used in found.values() for each in used}
    for role in ROLES:
        if role in found:
            continue
        free = [each for each in uses if each.place not in taken]
        chosen = _time_among(free, layout) if role == "time" else _among(free, role)
        if role not in ("time", "fan", "pump"):
            others[role] = tuple(each.name for each in chosen[1:])
            chosen = chosen[:1]
        found[role] = tuple(chosen)
        taken |= {each.place for each in chosen}
    return LogColumns(**found, others={role: names for role, names in others.items() if names})


def _unit_of(name: str, unit: str) -> str:
    """Unit that stands in a name or under it, in small letters; empty where none is known."""
    texts = [unit]
    if bracket := _IN_BRACKETS.search(name):
        texts.append(bracket[1])
    if behind := _BEHIND.search(name.lower()):
        texts.append(behind[1])
    for text in texts:
        plain = text.lower().replace("°", "").replace("\xba", "").replace(" ", "").strip()
        if plain in _UNITS:
            return plain
    return ""


def _tokens(name: str) -> list[str]:
    """Words of a name in small letters, also where capitals divide them."""
    divided = re.sub(r"(?<=[a-zäöü])(?=[A-Z])", " ", name)
    return [word for word in re.split(r"[\W_\d]+", divided.lower()) if word]


def _among(uses: Sequence[ColumnUse], role: str) -> list[ColumnUse]:
    """Columns that may be of a role, best first."""
    ranked = []
    for each in uses:
        measured = _UNITS[each.unit][0] if each.unit else None
        if measured not in (None, _MEASURED[role]):
            continue
        words = _tokens(each.name)
        # A processor's power, load or clock is not its temperature.
        if (
            measured is None
            and role != "power"
            and any(
                word in ("power", "load", "usage", "clock", "voltage", "duty", "pwm")
                for word in words
            )
        ):
            continue
        ranks = [rank for rank, word in enumerate(_WORDS[role]) if word in words]
        if role == "power" and measured == "power":
            # The unit says that it is one; the name says whose.
            of_processor = any(word in _WORDS["processor"] for word in words)
            ranks = [0 if of_processor else 1]
        if ranks:
            ranked.append((min(ranks), "coolant" in words, each.place, each))
    return [each for _, _, _, each in sorted(ranked, key=lambda one: one[:3])]


def _time_among(uses: Sequence[ColumnUse], layout: TableLayout) -> list[ColumnUse]:
    """The time, or date and time of day."""
    stamps = [
        each for each in uses if any(is_stamp(row[each.place]) for row in layout.samples[:20])
    ]
    if stamps:
        first = stamps[0]
        with_date = any(
            re.search(r"\d[-/.]\d+[-/.]\d", row[first.place]) and ":" in row[first.place]
            for row in layout.samples[:20]
        )
        return stamps[:1] if with_date or len(stamps) == 1 else stamps[:2]
    for each in uses:
        measured = _UNITS[each.unit][0] if each.unit else None
        words = _tokens(each.name)
        if measured in (None, "time") and any(word in _WORDS["time"] for word in words):
            return [each]
    return [each for each in uses if each.unit and _UNITS[each.unit][0] == "time"][:1]


def _said(text: str, uses: Sequence[ColumnUse]) -> tuple[ColumnUse, ...]:
    """The columns that a person names."""
    by_name = {each.name: each for each in uses}
    if text in by_name:
        return (by_name[text],)
    return tuple(_one_said(part.strip(), by_name) for part in text.split("+"))


def _one_said(text: str, by_name: Mapping[str, ColumnUse]) -> ColumnUse:
    """One column that a person names, perhaps with its unit in brackets."""
    if text in by_name:
        return by_name[text]
    bracket = re.match(r"(.+?)\s*\[([^\]]+)\]\Z", text)
    if bracket and bracket[1] in by_name:
        unit = bracket[2].lower().replace("°", "")
        if unit not in _UNITS:
            raise SettingsError(
                f"{bracket[2]!r} is no unit of a column; C, F, K, W, rpm, dB, s and ms are."
            )
        used = by_name[bracket[1]]
        return ColumnUse(used.place, used.name, unit)
    near = get_close_matches(text, by_name, 1)
    hint = f"there is {near[0]!r}" if near else "there are " + ", ".join(by_name)
    raise SettingsError(f"There is no column {text!r}; {hint}.")
