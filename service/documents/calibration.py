"""The calibration document, ``evenhush.calibration/1``."""

import math
from collections.abc import Sequence
from statistics import fmean
from typing import ClassVar, Literal, Self

from pydantic import AwareDatetime, Field, PositiveFloat, PositiveInt, field_serializer

from calibration.reference_tone import ToneVerdict
from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.budget import BudgetRow, rows_of
from service.errors import DocumentError

__all__ = ["CalibrationDocument", "CalibrationTone", "ChannelCalibration", "joined_calibration"]


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


class ChannelCalibration(Part):
    """The calibration of one channel of an input that has several."""

    channel: PositiveInt
    """Which channel, counted from 1."""
    pascal_per_unit: PositiveFloat
    """Sound pressure in pascals of a sample of value 1.0 in it."""
    tone: CalibrationTone
    """What was found."""
    U95_db: float | None
    """Half-width of the 95 % interval of levels measured with it."""
    budget: list[BudgetRow] = Field(default_factory=list)
    """What that is made of."""
    time: AwareDatetime = Field(strict=False)
    """When the tone was heard."""
    reference_level_db: float | None = None
    """Level the calibrator is said to make."""
    reference_frequency_hz: float | None = None
    """Frequency it is said to make."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)


class CalibrationDocument(Document):
    """A calibration.

    Only an accepted one has a factor, and only an accepted one is ever saved. Its own fields are
    those of the channel that was calibrated last; `channels` holds them all.
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
    channels: list[ChannelCalibration] = Field(default_factory=list)
    """Every channel that was calibrated, this one included; empty where it is the only one."""

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

    def by_channel(self) -> dict[int, "CalibrationDocument"]:
        """Return the calibration of each channel by itself, by its number counted from 1.

        Returns
        -------
        dict of int to CalibrationDocument
            Empty for a refused calibration.
        """
        if not self.accepted or self.pascal_per_unit is None:
            return {}
        if not self.channels:
            return {self.channel: self}
        return {
            part.channel: self.model_copy(
                update={
                    **{name: getattr(part, name) for name in ChannelCalibration.model_fields},
                    "channels": [],
                    "reasons": [],
                    "remarks": self.remarks if part.channel == self.channel else [],
                }
            )
            for part in self.channels
        }

    def with_channels_of(self, earlier: "CalibrationDocument") -> "CalibrationDocument":
        """Return this calibration with the other channels of an earlier one.

        Parameters
        ----------
        earlier : CalibrationDocument
            An accepted calibration; one of another input or rate is left alone.

        Returns
        -------
        CalibrationDocument
            The calibration, whose own fields stay as they are.
        """
        if (earlier.input, earlier.rate_hz) != (self.input, self.rate_hz):
            return self
        parts = earlier.by_channel() | self.by_channel()
        if len(parts) < 2:
            return self
        return self.model_copy(update={"channels": _parts_of(parts)})


def joined_calibration(calibrations: Sequence[CalibrationDocument]) -> CalibrationDocument:
    """Join the calibrations of several channels into the one of their average as energy.

    Parameters
    ----------
    calibrations : sequence of CalibrationDocument
        Accepted calibrations of one input at one rate, each of another channel.

    Returns
    -------
    CalibrationDocument
        The only one as it is; of several the first, with a factor that is the root of the mean
        square of theirs, the widest interval, as one calibrator made all of them, and the time of
        the oldest. `channels` holds each.

    Raises
    ------
    DocumentError
        If they are not of one input at one rate.
    """
    first = calibrations[0]
    if len(calibrations) == 1:
        return first
    if len({(each.input, each.rate_hz) for each in calibrations}) > 1:
        raise DocumentError(
            "The channels were calibrated on several inputs or at several rates; calibrate all of "
            "them on the input and at the rate that is used."
        )
    widest = max(calibrations, key=lambda each: each.U95_db or 0.0)
    oldest = min(calibrations, key=lambda each: each.time)
    squares = [each.pascal_per_unit**2 for each in calibrations if each.pascal_per_unit]
    return first.model_copy(
        update={
            "pascal_per_unit": math.sqrt(fmean(squares)),
            "U95_db": widest.U95_db,
            "budget": widest.budget,
            "time": oldest.time,
            "channels": _parts_of({each.channel: each for each in calibrations}),
        }
    )


def _parts_of(calibrations: dict[int, CalibrationDocument]) -> list[ChannelCalibration]:
    """Put calibrations of single channels into the form in which one document holds them."""
    return [
        ChannelCalibration(
            **{name: getattr(each, name) for name in ChannelCalibration.model_fields}
        )
        for _, each in sorted(calibrations.items())
    ]
