"""Times of day and dates in a column, many rows at once."""

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples
from service.storage.log_cells import Cells

__all__ = ["Stamps", "is_stamp", "stamps_in"]

_TIME: Final = (
    r"(?P<h>\d{1,2}):(?P<m>\d\d)(?::(?P<s>\d\d)(?:[.,:](?P<f>\d{1,9}))?)?"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
)
_ZONE: Final = r"\s*(?P<zone>Z|z|UTC|[+-]\d\d:?\d\d)?"
_YEAR_FIRST: Final = r"(?P<Y>\d{4})[-/.](?P<M>\d{1,2})[-/.](?P<D>\d{1,2})"
_YEAR_LAST: Final = r"(?P<a>\d{1,2})[-/.](?P<b>\d{1,2})[-/.](?P<Y>\d{4}|\d\d)"
_FORMS: Final = tuple(
    re.compile(form + r"\Z")
    for form in (
        _YEAR_FIRST + r"[T ,]+" + _TIME + _ZONE,
        _YEAR_LAST + r"[T ,]+" + _TIME + _ZONE,
        _TIME,
        _YEAR_FIRST,
        _YEAR_LAST,
    )
)
_LONGEST: Final = 48


@dataclass(frozen=True, slots=True, eq=False)
class Stamps:
    """Times as read."""

    seconds: Samples
    """Seconds since 1970, or since midnight where there is no date; NaN where none was read."""
    dated: bool
    """Whether there is a date."""
    zoned: bool
    """Whether the zone stands there, so that no clock was put forward or back in between."""


def is_stamp(text: str) -> bool:
    """Whether a text is a time of day, a date, or both."""
    return any(form.match(text) for form in _FORMS)


def day_comes_first(texts: list[str]) -> bool | None:
    """Whether dates name the day before the month; None where it does not matter or show."""
    found = [match for text in texts for form in _FORMS[1::3] if (match := form.match(text))]
    if any(int(match["a"]) > 12 for match in found):
        return True
    if any(int(match["b"]) > 12 for match in found):
        return False
    return True if found and "." in found[0][0][:3] else None


def stamps_in(cells: Cells, column: int, *, day_first: bool) -> Stamps:
    """Read a column of times.

    Parameters
    ----------
    cells : Cells
        Trimmed cells.
    column : int
        Which column.
    day_first : bool
        Whether 03/04 is in April.

    Returns
    -------
    Stamps
        The times.
    """
    starts, lengths = cells.starts[column], cells.ends[column] - cells.starts[column]
    seconds = np.full(starts.size, np.nan)
    width = int(min(lengths.max(initial=0), _LONGEST))
    # Rows whose separators stand at the same places are read together.
    pattern = np.zeros(starts.size, dtype=np.int64)
    for place in range(width):
        character = cells.data[starts + place]
        separator = (place < lengths) & ((character < 48) | (character > 57))
        pattern |= separator.astype(np.int64) << place
    pattern = np.where(lengths <= _LONGEST, pattern + (lengths << _LONGEST), -1)
    dated = zoned = False
    for each in np.unique(pattern[lengths > 0]).tolist():
        rows = np.flatnonzero(pattern == each)
        form = _form_of(cells.text(column, int(rows[0]))) if each >= 0 else None
        if form is None:
            continue
        read, has_date, has_zone = _read_alike(cells, starts[rows], form, day_first=day_first)
        seconds[rows] = read
        dated, zoned = dated or has_date, zoned or has_zone
    return Stamps(seconds, dated, zoned)


def _form_of(text: str) -> re.Match[str] | None:
    """The form that a time is written in."""
    return next((match for form in _FORMS if (match := form.match(text))), None)


def _read_alike(
    cells: Cells, starts: npt.NDArray[np.int64], form: re.Match[str], *, day_first: bool
) -> tuple[Samples, bool, bool]:
    """Read times that are written alike."""
    names = form.groupdict()

    def field(name: str) -> Samples:
        value = np.zeros(starts.size)
        for place in range(*form.span(name)):
            value = value * 10.0 + (cells.data[starts + place].astype(np.float64) - 48.0)
        return value

    seconds = np.zeros(starts.size)
    if names.get("h"):
        hours = field("h")
        if names["half"]:
            afternoon = np.isin(cells.data[starts + form.start("half")], (ord("p"), ord("P")))
            hours = hours % 12.0 + 12.0 * afternoon
        seconds = 3600.0 * hours + 60.0 * field("m")
        if names["s"]:
            seconds = seconds + field("s")
        if names["f"]:
            seconds = seconds + field("f") / 10.0 ** len(names["f"])
    if not names.get("Y"):
        return seconds, False, False
    year = field("Y")
    year = np.where(year < 100.0, year + 2000.0, year)
    if names.get("M"):
        month, day = field("M"), field("D")
    else:
        month, day = (field("b"), field("a")) if day_first else (field("a"), field("b"))
    possible = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    months = ((year - 1970.0) * 12.0 + month - 1.0).astype("datetime64[M]")
    days = months.astype("datetime64[D]").astype(np.float64) + day - 1.0
    seconds = np.where(possible, seconds + 86_400.0 * days, np.nan)
    zone = names.get("zone")
    if zone and zone[0] in "+-":
        sign = np.where(cells.data[starts + form.start("zone")] == ord("-"), -1.0, 1.0)
        digits = [place for place in range(*form.span("zone")) if form.string[place].isdigit()]
        tens = [cells.data[starts + place].astype(np.float64) - 48.0 for place in digits]
        seconds = seconds - sign * (
            3600.0 * (10.0 * tens[0] + tens[1]) + 60.0 * (10.0 * tens[2] + tens[3])
        )
    return seconds, True, bool(zone)
