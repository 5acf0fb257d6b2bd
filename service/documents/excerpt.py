"""The excerpt document, ``evenhush.excerpt/1``: what a passage to listen to was made of."""

from typing import ClassVar, Literal

from pydantic import Field

from service.documents.base import Document

__all__ = ["ExcerptDocument"]


class ExcerptDocument(Document):
    """A passage to listen to."""

    kind: ClassVar[str] = "excerpt document"

    schema_name: Literal["evenhush.excerpt/1"] = Field(
        default="evenhush.excerpt/1", validation_alias="schema", serialization_alias="schema"
    )
    file: str
    """The recording it is from."""
    saved: str
    """Where it was written."""
    start_s: float
    """Where the passage begins in the recording."""
    end_s: float
    """Where it ends."""
    what: Literal["passage", "tone alone", "without the tone"]
    """What is heard."""
    frequency_hz: list[float]
    """Frequencies of the tones, at the beginning of the passage where they move."""
    half_width_hz: list[float]
    """Half-widths of the bands around them."""
    order: int | None
    """Order of a rotor that is followed; null for fixed tones."""
    rotor: str | None
    """That rotor."""
    gain_db: float
    """Gain from the recording to the excerpt, the same for all that a passage is taken apart
    into."""
    full_scale_db: float | None
    """Sound pressure level that a root mean square of 1.0 stands for; null without a
    calibration."""
    passage_LAeq_dbfs: float
    """A-weighted level of the whole passage in the excerpt."""
    LAeq_dbfs: float
    """A-weighted level of what is heard."""
    LAeq_db: float | None
    """A-weighted level of what is heard as it was at the microphone; null without a
    calibration."""
    peak_dbfs: float
    """Highest sample, in dB re 1.0."""
    warnings: list[str]
    """What a listener should know."""
