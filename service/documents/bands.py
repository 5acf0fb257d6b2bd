"""Parts that several documents share: one-third octaves and discrete tones."""

from service.documents.base import Part

__all__ = ["DiscreteTone", "ThirdOctaves"]


class ThirdOctaves(Part):
    """One-third octave levels."""

    nominal_hz: list[float]
    """Nominal mid-band frequencies."""
    LZeq_db: list[float | None]
    """Unweighted levels; null for exact silence."""
    LAeq_db: list[float | None]
    """A-weighted levels; null for exact silence."""


class DiscreteTone(Part):
    """A tone that stands out of the sound around it."""

    frequency_hz: float
    """Its frequency."""
    level_db: float
    """Its level, unweighted."""
    tone_to_noise_ratio_db: float | None
    """Level over the noise in its critical band."""
    prominence_ratio_db: float | None
    """Level of its critical band over the neighbouring two."""
    prominent: bool
    """Whether it is prominent by either criterion."""
