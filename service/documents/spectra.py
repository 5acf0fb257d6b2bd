"""The spectrum document, ``evenhush.spectrum/1``: spectra of recordings beside one another."""

from typing import ClassVar, Literal

from pydantic import Field

from service.documents.base import Document, Part
from service.documents.budget import BudgetRow
from service.documents.reviewed import ReviewedPart, ReviewedTone

__all__ = [
    "DifferencePart",
    "SpectrumBands",
    "SpectrumDocument",
    "SpectrumPart",
    "TonePairPart",
]


class SpectrumBands(Part):
    """A spectrum in one-twelfth octaves from 20 Hz to 20 kHz, unweighted."""

    frequency_hz: list[float]
    """Exact mid-band frequencies; four bands fill a one-third octave."""
    level_db: list[float | None] | None
    """Levels as recorded; null beyond the sampling rate. Null without a calibration."""
    level_dbfs: list[float | None] | None
    """The same re full scale where there is no calibration; null otherwise."""
    alone_db: list[float | None] | None
    """Levels of the cooler alone; null where the room is within 3 dB, so that it cannot be told.
    Null without a recording of the room or without a calibration."""
    alone_dbfs: list[float | None] | None
    """The same re full scale where there is no calibration; null otherwise."""


class SpectrumPart(ReviewedPart):
    """The spectrum of a recording."""

    bands: SpectrumBands
    """Its one-twelfth octaves."""
    tones: list[ReviewedTone]
    """Its tones, low to high."""
    alone_LAeq_db: float | None = None
    """A-weighted level of the cooler alone, band by band without the room; null without a
    recording of the room or without a calibration."""
    alone_LAeq_dbfs: float | None = None
    """The same re full scale where there is no calibration; null otherwise."""
    alone_is_bound: bool | None = None
    """Whether bands in which the room is too near matter, so that the cooler is at most that
    loud; null without a recording of the room."""


class TonePairPart(Part):
    """A tone of the first recording and the one of the second that belongs to it."""

    first_hz: float | None
    """Frequency in the first; null where only the second has it."""
    second_hz: float | None
    """Frequency in the second; null where only the first has it."""
    level_difference_db: float | None
    """Level in the second less that in the first; null where one has none."""
    first_prominent: bool
    """Whether it is prominent in the first."""
    second_prominent: bool
    """Whether it is prominent in the second."""


class DifferencePart(Part):
    """Second recording less the first."""

    first: str
    """The first recording."""
    second: str
    """The second recording."""
    LAeq_difference_db: float
    """Difference of their A-weighted levels; of the coolers alone where the room is known."""
    U95_db: float | None
    """Half-width of its 95 % interval; null where either is not steady or only a bound."""
    budget: list[BudgetRow]
    """What it is made of; what both have in common has cancelled."""
    frequency_hz: list[float]
    """Exact mid-band frequencies of one-twelfth octaves."""
    difference_db: list[float | None]
    """Difference in each; null where it is not known."""
    band_U95_db: list[float | None]
    """Half-widths of the 95 % intervals of these."""
    tones: list[TonePairPart]
    """Tones of either, low to high."""
    warnings: list[str]
    """What limits the comparison."""


class SpectrumDocument(Document):
    """Spectra."""

    kind: ClassVar[str] = "spectrum document"

    schema_name: Literal["evenhush.spectrum/1"] = Field(
        default="evenhush.spectrum/1", validation_alias="schema", serialization_alias="schema"
    )
    room: ReviewedPart | None
    """The recording of the room; null where none was given."""
    recordings: list[SpectrumPart]
    """The recordings, in the order given."""
    differences: list[DifferencePart]
    """Each further recording less the first."""
