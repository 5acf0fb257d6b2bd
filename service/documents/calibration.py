"""The calibration document, ``evenhush.calibration/1``."""

from typing import ClassVar, Literal, Self

from pydantic import AwareDatetime, Field, PositiveFloat, PositiveInt, field_serializer

from calibration.reference_tone import ToneVerdict
from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.budget import BudgetRow, rows_of

__all__ = ["CalibrationDocument", "CalibrationTone"]


class CalibrationTone(Part):
    """What was found in the recorded reference tone."""

    frequency_hz: float
    """Frequency of the strongest tone."""
    level_dbfs: float
    """Its level re full scale; a root mean square of 1.0 reads 0."""
    stability_db: float
    """Half the range of its level over 100 ms."""
    distortion_percent: float
    """Harmonics relative to the tone."""
    signal_to_noise_db: float
    """Level over everything else."""


class CalibrationDocument(Document):
    """A calibration.

    Only an accepted one has a factor, and only an accepted one is ever saved.
    """

    kind: ClassVar[str] = "calibration"

    schema_name: Literal["evenhush.calibration/1"] = Field(
        default="evenhush.calibration/1", validation_alias="schema", serialization_alias="schema"
    )
    accepted: bool
    """Whether the tone calibrates the microphone."""
    pascal_per_unit: PositiveFloat | None
    """Sound pressure in pascals of a sample of value 1.0."""
    rate_hz: PositiveInt
    """Sampling rate that it holds for."""
    tone: CalibrationTone
    """What was found."""
    U95_db: float | None
    """Half-width of the 95 % interval of levels measured with it."""
    budget: list[BudgetRow] = Field(default_factory=list)
    """What `U95_db` is made of, with k = 2; empty where the tone was refused, and in calibrations
    of earlier versions."""
    time: AwareDatetime = Field(strict=False)
    """When the tone was heard."""
    reasons: list[str]
    """Why it was refused."""
    input: str | None = None
    """Which input it belongs to, as it was given."""
    channel: PositiveInt = 1
    """Which channel of it, counted from 1."""
    reference_level_db: float | None = None
    """Level the calibrator is said to make."""
    reference_frequency_hz: float | None = None
    """Frequency it is said to make."""
    remarks: list[str] = Field(default_factory=list)
    """What is worth a second look although the tone was accepted."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)

    @classmethod
    def of(
        cls,
        verdict: ToneVerdict,
        *,
        time: AwareDatetime,
        rate_hz: int,
        source: str,
        channel: int,
        reference_level_db: float,
        reference_frequency_hz: float,
    ) -> Self:
        """Put a verdict into a document.

        Parameters
        ----------
        verdict : ToneVerdict
            The judgement.
        time : datetime
            When the tone was heard.
        rate_hz : int
            Sampling rate.
        source : str
            The input.
        channel : int
            The channel, counted from 1.
        reference_level_db, reference_frequency_hz : float
            What the calibrator is said to make.

        Returns
        -------
        CalibrationDocument
            The document.
        """
        tone = verdict.tone
        return cls(
            accepted=verdict.accepted,
            pascal_per_unit=verdict.pascal_per_unit,
            rate_hz=rate_hz,
            tone=CalibrationTone(
                frequency_hz=round(tone.frequency_hz, 3),
                level_dbfs=round(tone.level_dbfs, 3),
                stability_db=round(tone.stability_db, 3),
                distortion_percent=round(tone.distortion_percent, 3),
                signal_to_noise_db=round(tone.signal_to_noise_db, 1),
            ),
            U95_db=None if verdict.U95_db is None else round(verdict.U95_db, 3),
            budget=[] if verdict.budget is None else rows_of(verdict.budget),
            time=time,
            reasons=list(verdict.reasons),
            input=source,
            channel=channel,
            reference_level_db=reference_level_db,
            reference_frequency_hz=reference_frequency_hz,
            remarks=list(verdict.remarks),
        )
