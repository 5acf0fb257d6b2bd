"""The discrete tones of a stretch of calibrated sound, as documents carry them."""

from typing import Final

from acoustic.signals import PressureSignal
from acoustic.spectrum import spectrum_of
from acoustic.tones import discrete_tones
from service.documents.bands import DiscreteTone

__all__ = ["tones_in"]

_SPACING_HZ: Final = 1.0
"""Fine enough for every critical band, coarse enough for a tone that wanders a little."""
_SHORTEST_S: Final = 2.0
"""Too few spectra to average say nothing about tones."""


def tones_in(sound: PressureSignal) -> list[DiscreteTone]:
    """Find the discrete tones.

    Parameters
    ----------
    sound : PressureSignal
        Steady sound in Pa; several channels are averaged as energy.

    Returns
    -------
    list of DiscreteTone
        From low to high; empty for less than 2 s.
    """
    if sound.duration_s < _SHORTEST_S:
        return []
    spectrum = spectrum_of(sound, spacing_hz=_SPACING_HZ).mean_of_channels()
    return [
        DiscreteTone(
            frequency_hz=round(tone.frequency_hz, 2),
            level_db=round(tone.level_db, 2),
            tone_to_noise_ratio_db=round(tone.tone_to_noise_ratio_db, 2),
            prominence_ratio_db=round(tone.prominence_ratio_db, 2),
            prominent=tone.prominent,
        )
        for tone in discrete_tones(spectrum, calibrated=True)
    ]
