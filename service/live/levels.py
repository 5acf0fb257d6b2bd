"""From blocks of sound to the levels of every tenth of a second, as they are shown and logged."""

from collections import deque
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from acoustic.analyser import AnalyserState, analyse, start
from acoustic.band_frequencies import audible_bands
from acoustic.decibels import energy_mean_db, level_db
from acoustic.microphone_response import CorrectionState, correct, start_correction
from acoustic.narrow_bands import narrow_band_levels_db
from acoustic.short_levels import ROW_S, ShortLevels
from acoustic.signals import DigitalSignal, PressureSignal, Samples
from acoustic.spectrum import spectrum_of
from service.live.frames import SPECTRUM_HZ, THIRD_OCTAVES_HZ
from service.live.heard import HeardBlock
from service.live.scale import InputScale

__all__ = ["LevelChain", "LiveLevels"]

_ROWS_A_SECOND: Final = round(1.0 / ROW_S)
_SPECTRUM_ROWS: Final = 5
"""A spectrum comes every so many rows, and is made of their sound."""
_LINE_SPACING_HZ: Final = 2.5
"""Distance of its lines, which half a second allows at every rate."""


@dataclass(frozen=True, slots=True, eq=False)
class LiveLevels:
    """Levels of one tenth of a second, in dB re 20 uPa or, uncalibrated, re full scale."""

    number: int
    """Number of the block it was."""
    time: datetime
    """When it was read."""
    calibrated: bool
    """Whether the levels are sound pressure levels."""
    faults: tuple[str, ...]
    """Why it must not enter a level; empty where it may."""
    LAeq_db: float
    """A-weighted equivalent level."""
    LAF_db: float
    """Level F at its end."""
    LAFmax_db: float
    """Largest level F in it."""
    LAeq_1s_db: float
    """A-weighted equivalent level of the last second, or of what there is of it."""
    third_octaves_db: Samples
    """Unweighted levels in the bands of `THIRD_OCTAVES_HZ`, shape ``(31,)``; NaN where the rate
    does not reach."""
    spectrum_db: Samples | None
    """Levels in narrow bands around `SPECTRUM_HZ`, shape ``(400,)``; only every fifth time."""


class LevelChain:
    """The measuring chain behind one input, from rest; used by one thread.

    Parameters
    ----------
    rate_hz : int
        Sampling rate in hertz.
    scale : InputScale
        What the samples mean.
    """

    def __init__(self, rate_hz: int, scale: InputScale) -> None:
        self.scale = scale
        """What the samples mean."""
        self._rate_hz = rate_hz
        channels = len(scale.channels)
        self._state: AnalyserState = start(rate_hz, channels)
        self._correction: CorrectionState | None = (
            None if scale.response is None else start_correction(scale.response, rate_hz, channels)
        )
        self._waiting: deque[HeardBlock] = deque()
        self._second: deque[float] = deque(maxlen=_ROWS_A_SECOND)
        self._sound: deque[Samples] = deque(maxlen=_SPECTRUM_ROWS)
        known = audible_bands(rate_hz, 3).nominal_hz
        self._bands = [
            (place, known.index(nominal))
            for place, nominal in enumerate(THIRD_OCTAVES_HZ)
            if nominal in known
        ]

    def hear(self, heard: HeardBlock) -> list[LiveLevels]:
        """Take the next block.

        Parameters
        ----------
        heard : HeardBlock
            The block after the one before, of 100 ms.

        Returns
        -------
        list of LiveLevels
            What is complete now: usually the block before, as the band filters take 20 ms.
        """
        signal = heard.block.signal
        samples = signal.samples[:, list(self.scale.channels)]
        if self._correction is not None:
            samples, self._correction = correct(self._correction, samples)
        pressure = PressureSignal.from_digital(
            DigitalSignal(samples, signal.rate_hz), self.scale.pascal_per_unit
        )
        self._waiting.append(heard)
        self._sound.append(pressure.samples)
        self._state, rows = analyse(self._state, pressure)
        return [self._levels(rows, row) for row in range(len(rows))]

    def _levels(self, rows: ShortLevels, row: int) -> LiveLevels:
        """Put one row together with the block it was."""
        heard = self._waiting.popleft()
        square_pa2 = float(rows.A_mean_square_pa2[row].mean())
        self._second.append(square_pa2)
        bands_db = np.full(len(THIRD_OCTAVES_HZ), np.nan)
        mean_db = level_db(rows.band_mean_square_pa2[row].mean(axis=0))
        for place, known in self._bands:
            bands_db[place] = mean_db[known]
        return LiveLevels(
            number=heard.number,
            time=heard.time,
            calibrated=self.scale.calibrated,
            faults=heard.block.faults_of(self.scale.channels),
            LAeq_db=level_db(square_pa2),
            LAF_db=float(energy_mean_db(rows.LAF_db[row])),
            LAFmax_db=float(energy_mean_db(rows.LAFmax_db[row])),
            LAeq_1s_db=level_db(float(np.mean(self._second))),
            third_octaves_db=bands_db,
            spectrum_db=self._spectrum_db() if heard.number % _SPECTRUM_ROWS == 0 else None,
        )

    def _spectrum_db(self) -> Samples | None:
        """Spectrum of the latest half second; None before there is one."""
        if len(self._sound) < _SPECTRUM_ROWS:
            return None
        sound = PressureSignal(np.concatenate(self._sound), self._rate_hz)
        spectrum = spectrum_of(sound, spacing_hz=_LINE_SPACING_HZ)
        levels: Samples = narrow_band_levels_db(spectrum.mean_of_channels(), SPECTRUM_HZ)[:, 0]
        return levels
