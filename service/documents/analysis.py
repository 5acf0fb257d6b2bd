"""The analysis document, ``evenhush.analysis/1``: what is in a recording.

It has two forms with other field names, so that a level re full scale can never be read as a
sound pressure level.
"""

from typing import Any, ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from service.clock import utc_text
from service.documents.bands import DiscreteTone, ThirdOctaves
from service.documents.base import Document, Part
from service.documents.budget import BudgetRow

__all__ = [
    "AnalysisDocument",
    "ChannelPart",
    "FamilyPart",
    "FamilyReFullScale",
    "HarmonicPart",
    "LevelInterval",
    "Levels",
    "LevelsReFullScale",
    "LoudnessPart",
    "ThirdOctavesReFullScale",
    "ToneReFullScale",
    "UncalibratedAnalysisDocument",
    "UncalibratedChannelPart",
]


class Levels(Part):
    """Levels of the whole; null for exact silence and where the sound is too short."""

    LAeq_db: float | None
    """A-weighted equivalent level."""
    LCeq_db: float | None
    """C-weighted equivalent level."""
    LZeq_db: float | None
    """Unweighted equivalent level."""
    LAFmax_db: float | None
    """Largest LAF."""
    LAFmin_db: float | None
    """Smallest LAF, after the rise of the time weighting."""
    LASmax_db: float | None
    """Largest LAS."""
    LASmin_db: float | None
    """Smallest LAS, after the rise of the time weighting."""
    LAE_db: float | None
    """Sound exposure level: the same energy in 1 s."""
    LCpeak_db: float | None
    """C-weighted peak."""
    LA10_db: float | None
    """LAF exceeded 10 % of the time."""
    LA50_db: float | None
    """LAF exceeded 50 % of the time."""
    LA90_db: float | None
    """LAF exceeded 90 % of the time."""


class LevelsReFullScale(Part):
    """The same levels re full scale: a root mean square of 1.0 reads 0."""

    LAeq_dbfs: float | None
    """A-weighted equivalent level."""
    LCeq_dbfs: float | None
    """C-weighted equivalent level."""
    LZeq_dbfs: float | None
    """Unweighted equivalent level."""
    LAFmax_dbfs: float | None
    """Largest LAF."""
    LAFmin_dbfs: float | None
    """Smallest LAF, after the rise of the time weighting."""
    LASmax_dbfs: float | None
    """Largest LAS."""
    LASmin_dbfs: float | None
    """Smallest LAS, after the rise of the time weighting."""
    LAE_dbfs: float | None
    """Sound exposure level: the same energy in 1 s."""
    LCpeak_dbfs: float | None
    """C-weighted peak."""
    LA10_dbfs: float | None
    """LAF exceeded 10 % of the time."""
    LA50_dbfs: float | None
    """LAF exceeded 50 % of the time."""
    LA90_dbfs: float | None
    """LAF exceeded 90 % of the time."""


class ThirdOctavesReFullScale(Part):
    """One-third octave levels re full scale."""

    nominal_hz: list[float]
    """Nominal mid-band frequencies."""
    LZeq_dbfs: list[float | None]
    """Unweighted levels; null for exact silence."""
    LAeq_dbfs: list[float | None]
    """A-weighted levels; null for exact silence."""


class ToneReFullScale(Part):
    """A tone that stands out of the sound around it, its level re full scale."""

    frequency_hz: float
    """Its frequency."""
    level_dbfs: float
    """Its level, unweighted."""
    tone_to_noise_ratio_db: float
    """Level over the noise in its critical band."""
    prominence_ratio_db: float
    """Level of its critical band over the neighbouring two."""
    prominent: bool
    """Whether it is prominent by either criterion; whether it can be heard is not known."""


class LoudnessPart(Part):
    """Loudness of a steady sound with these one-third octave levels (ISO 532-1)."""

    field: Literal["free", "diffuse"]
    """Sound field assumed."""
    N_sone: float
    """Loudness."""
    LN_phon: float
    """Loudness level."""


class HarmonicPart(Part):
    """A tone of a harmonic family."""

    order: int
    """Its frequency over the fundamental."""
    frequency_hz: float
    """Its frequency, as among the tones."""


class FamilyPart(Part):
    """Tones at whole multiples of one frequency, as one rotor or motor makes them."""

    fundamental_hz: float
    """That frequency, which need not be among the tones."""
    level_db: float
    """Level of all its tones together."""
    harmonics: list[HarmonicPart]
    """Its tones, low to high; at least two."""


class FamilyReFullScale(Part):
    """The same, its level re full scale."""

    fundamental_hz: float
    """That frequency, which need not be among the tones."""
    level_dbfs: float
    """Level of all its tones together."""
    harmonics: list[HarmonicPart]
    """Its tones, low to high; at least two."""


class LevelInterval(Part):
    """How sure LAeq is as the level of one steady sound."""

    U95_db: float
    """Half-width of the 95 % interval from listening: how far longer listening may read."""
    U95_absolute_db: float | None
    """The same against the true sound pressure level; null without a calibration document."""
    budget: list[BudgetRow]
    """What `U95_db` is made of."""
    chain_budget: list[BudgetRow]
    """What the microphone adds to it in `U95_absolute_db`."""


class ChannelPart(Part):
    """One channel."""

    channel: int
    """Its number, counted from 1."""
    pascal_per_unit: float | None = None
    """Sound pressure in pascals of a sample of value 1.0 in it; null in earlier versions."""
    levels: Levels
    """Its levels."""
    third_octaves: ThirdOctaves
    """Its one-third octaves."""
    tones: list[DiscreteTone]
    """Its tones, low to high."""
    harmonic_families: list[FamilyPart] = Field(default_factory=list)
    """Harmonic families among them, strongest first."""
    loudness: LoudnessPart | None
    """Its loudness; null where the method has no answer."""


class UncalibratedChannelPart(Part):
    """One channel of a recording without a calibration."""

    channel: int
    """Its number, counted from 1."""
    levels: LevelsReFullScale
    """Its levels."""
    third_octaves: ThirdOctavesReFullScale
    """Its one-third octaves."""
    tones: list[ToneReFullScale]
    """Its tones, low to high."""
    harmonic_families: list[FamilyReFullScale] = Field(default_factory=list)
    """Harmonic families among them, strongest first."""
    loudness: None
    """Loudness needs sound pressure."""


class _Recording(Document):
    """What both forms say about the recording."""

    kind: ClassVar[str] = "analysis"

    schema_name: Literal["evenhush.analysis/1"] = Field(
        default="evenhush.analysis/1", validation_alias="schema", serialization_alias="schema"
    )
    file: str
    """The recording, as it was named."""
    rate_hz: int
    """Its sampling rate."""
    channels: int
    """Its number of channels."""
    start_s: float
    """Where the part that was analysed begins."""
    duration_s: float
    """How long that part is; levels leave out what does not fill 100 ms at its end."""
    LAeq_interval: LevelInterval | None = None
    """How sure LAeq is; null where the sound is too short or not steady, with a warning."""
    left_out_s: float = 0.0
    """How much of it is not in the levels, as it was marked as bad when it was kept."""

    def to_plain(self) -> dict[str, Any]:
        """Return the document as JSON types; `per_channel` only where there are several."""
        plain = super().to_plain()
        if plain["per_channel"] is None:
            del plain["per_channel"]
        return plain


class AnalysisDocument(_Recording):
    """An analysis in dB re 20 uPa."""

    calibrated: Literal[True] = True
    """Whether levels are sound pressure levels."""
    pascal_per_unit: float
    """Sound pressure in pascals of a sample of value 1.0; of several channels with factors of
    their own, that of the first."""
    calibration_time: AwareDatetime | None = Field(default=None, strict=False)
    """When the microphone was calibrated; null where only a factor was given."""
    levels: Levels
    """Levels; over several channels the energy average of those that carry sound."""
    third_octaves: ThirdOctaves
    """One-third octaves, averaged in the same way."""
    tones: list[DiscreteTone]
    """Tones in the spectrum averaged in the same way, low to high."""
    harmonic_families: list[FamilyPart] = Field(default_factory=list)
    """Harmonic families among them, strongest first."""
    loudness: LoudnessPart | None
    """Loudness of these one-third octaves; null where the method has no answer."""
    warnings: list[str]
    """What a reader of the levels should know."""
    per_channel: list[ChannelPart] | None = None
    """Each channel, where there are several."""

    @field_serializer("calibration_time")
    def _time_text(self, time: AwareDatetime | None) -> str | None:
        return None if time is None else utc_text(time)


class UncalibratedAnalysisDocument(_Recording):
    """An analysis in dB re full scale."""

    calibrated: Literal[False] = False
    """Whether levels are sound pressure levels."""
    levels: LevelsReFullScale
    """Levels; over several channels the energy average of those that carry sound."""
    third_octaves: ThirdOctavesReFullScale
    """One-third octaves, averaged in the same way."""
    tones: list[ToneReFullScale]
    """Tones in the spectrum averaged in the same way, low to high."""
    harmonic_families: list[FamilyReFullScale] = Field(default_factory=list)
    """Harmonic families among them, strongest first."""
    loudness: None = None
    """Loudness needs sound pressure."""
    warnings: list[str]
    """What a reader of the levels should know."""
    per_channel: list[UncalibratedChannelPart] | None = None
    """Each channel, where there are several."""
