"""What stands beside sound that was kept, ``evenhush.kept-sound/1``: all it takes to use it."""

from collections.abc import Collection, Sequence
from typing import ClassVar, Literal, Self

import numpy as np
from pydantic import AwareDatetime, Field, PositiveFloat, PositiveInt, field_serializer

from acoustic.microphone_response import MicrophoneResponse
from service.clock import utc_text
from service.documents.base import Document, Part
from service.documents.calibration import CalibrationDocument

__all__ = [
    "KeptActuator",
    "KeptResponse",
    "KeptSetting",
    "KeptSoundDocument",
    "KeptSpeeds",
    "KeptStretch",
    "MarkedInterval",
    "factors_of",
]


class KeptResponse(Part):
    """Response of the microphone, which is still in the sound."""

    frequency_hz: list[float]
    """Frequencies, rising."""
    response_db: list[float]
    """How much too high the microphone reads at each, 0 dB where it was calibrated."""

    @classmethod
    def of(cls, response: MicrophoneResponse) -> Self:
        """Put a response into the document's form."""
        return cls(
            frequency_hz=response.frequency_hz.tolist(), response_db=response.response_db.tolist()
        )

    def to_response(self) -> MicrophoneResponse:
        """Return the response."""
        return MicrophoneResponse(np.array(self.frequency_hz), np.array(self.response_db))


class KeptActuator(Part):
    """One speed while a setting was heard."""

    duty_percent: float
    """Duty that was set."""
    rpm: float | None
    """Mean speed since the speeds were steady; null without a tachometer."""


class KeptSetting(Part):
    """An interval in which no duty changed."""

    start_s: float
    """When it was set, from the beginning of the sound; it is heard up to 1.5 s later."""
    end_s: float
    """When another one was set, or the sound ended."""
    steady_from_s: float | None
    """From when on all speeds stayed within 3 % of their mean; null without a tachometer."""
    actuators: dict[str, KeptActuator]
    """Every speed of the bench."""


class KeptStretch(Part):
    """What was measured in an interval."""

    start_s: float
    """Where it begins, from the beginning of the sound."""
    end_s: float
    """Where it ends."""
    what: str
    """What it was, such as the cooler and its target."""


class KeptSpeeds(Part):
    """Speeds as they were read while the sound was heard."""

    time_s: list[float]
    """When, from the beginning of the sound, rising; heard up to 1.5 s later."""
    rpm: dict[str, list[float | None]]
    """Speed of every actuator at each of these times; null where none was read."""


class MarkedInterval(Part):
    """Sound that must not enter a level."""

    start_s: float
    """Where it begins, from the beginning of the sound."""
    end_s: float
    """Where it ends."""
    channels: list[PositiveInt] | None
    """In which channels, counted from 1; null for all."""
    reasons: list[str]
    """Why, in words."""

    def concerns(self, channels: Collection[int]) -> bool:
        """Tell whether it concerns any of some channels, counted from 0."""
        return self.channels is None or any(number - 1 in channels for number in self.channels)


class KeptSoundDocument(Document):
    """A document beside kept sound."""

    kind: ClassVar[str] = "document beside kept sound"

    schema_name: Literal["evenhush.kept-sound/1"] = Field(
        default="evenhush.kept-sound/1", validation_alias="schema", serialization_alias="schema"
    )
    time: AwareDatetime = Field(strict=False)
    """When the sound begins."""
    command: str
    """Which command heard it."""
    cooler: str | None
    """What was mounted; null where nothing was."""
    bench: str | None
    """The bench it was mounted on."""
    input: str
    """Which input it was heard through."""
    file: str
    """Name of the file with the sound."""
    coding: Literal["PCM_24", "FLOAT"]
    """How its samples are stored."""
    rate_hz: PositiveInt
    """Its sampling rate."""
    channels: PositiveInt
    """Its number of channels."""
    duration_s: float
    """How long it is, as far as it was on the disk when this was written."""
    finished: bool
    """Whether it was kept to its end; false where the program was killed."""
    pascal_per_unit: list[PositiveFloat | None]
    """Sound pressure in pascals of a sample of value 1.0 in each channel; null where it was not
    calibrated."""
    calibrations: list[CalibrationDocument]
    """The calibrations that these factors come from."""
    response: KeptResponse | None
    """Response of the microphone that was taken out of the levels, not of this sound."""
    stretches: list[KeptStretch]
    """What was measured when."""
    settings: list[KeptSetting]
    """What the bench was set to when."""
    speeds: KeptSpeeds | None = None
    """Speeds over time; null where no bench was watched, and in files of earlier versions."""
    marked: list[MarkedInterval]
    """What must not enter a level."""
    warnings: list[str]
    """What is missing in the file, in words."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)


def factors_of(
    calibrations: Sequence[CalibrationDocument], channels: int
) -> list[PositiveFloat | None]:
    """Return pascals per unit of each channel.

    Parameters
    ----------
    calibrations : sequence of CalibrationDocument
        Calibrations, each of one channel.
    channels : int
        Number of channels.

    Returns
    -------
    list of float or None
        One for each channel; None where it is not calibrated.
    """
    known = {each.channel: each.pascal_per_unit for each in calibrations}
    return [known.get(channel) for channel in range(1, channels + 1)]
