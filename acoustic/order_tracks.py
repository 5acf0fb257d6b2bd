"""Orders of a rotor followed through its speeds, and tones that stay where they are."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter
from scipy.special import gammaincinv

from acoustic.critical_bands import (
    critical_bandwidth_hz,
    hearing_threshold_db,
    prominent_tone_to_noise_ratio_db,
)
from acoustic.decibels import level_db
from acoustic.over_speed import OverSpeed
from acoustic.rotors import Rotor
from acoustic.signals import Samples
from acoustic.spectrum import Spectrum
from acoustic.tone_candidates import order_name
from acoustic.tones import HIGHEST_TONE_HZ, LOWEST_TONE_HZ, DiscreteTone, discrete_tones

__all__ = ["OrderTrack", "order_tracks", "staying_tones"]

_HIGHEST_ORDER: Final = 96
_LOWEST_HZ: Final = 20.0
_BESIDE: Final = 41
"""Lines around, whose median is the noise."""
_HALF: Final = 2
"""Lines on either side of the middle one that a tone is spread over."""
_OFF: Final = 1.0
"""How many lines the middle of a tone may be from where its order is."""
_SURE: Final = 6.0
"""Standard deviations of the noise by which a tone exceeds it."""
_LEAST_SHARE: Final = 0.2
_FEWEST: Final = 3
"""An order is followed if it is heard at so many speeds, and at such a share of them."""
_FEWEST_SPEEDS: Final = 6
_LEAST_RANGE: Final = 1.15
"""What stays can be told from what follows where speeds are so many and so far apart."""
_MOSTLY: Final = 0.6
"""A tone that stays is heard at such a share of the speeds."""


@dataclass(frozen=True, slots=True, eq=False)
class OrderTrack:
    """One order of a rotor over its speeds."""

    rotor: str
    """The rotor."""
    order: int
    """Multiple of its speed."""
    name: str
    """What it is called, such as ``blade-pass``."""
    rpm: Samples
    """Speeds in rpm, shape ``(speeds,)``."""
    level_db: Samples
    """Its level at each, same shape; NaN where it does not stand out of the noise."""
    tone_to_noise_ratio_db: Samples
    """Its level above the noise in its critical band, same shape; NaN where it has no level and
    outside 89.1 Hz to 11.2 kHz."""
    prominent: npt.NDArray[np.bool_]
    """Where it is prominent by that ratio, same shape."""
    shared: npt.NDArray[np.bool_]
    """Where a tone that stays lies on it, so that the level is that of both, same shape."""

    @property
    def frequency_hz(self) -> Samples:
        """Its frequency at each speed in hertz."""
        return self.order * self.rpm / 60.0


def order_tracks(
    heard: OverSpeed, rotor: Rotor, stays: Sequence[DiscreteTone], *, calibrated: bool
) -> tuple[OrderTrack, ...]:
    """Follow the orders of a rotor that stand out.

    Parameters
    ----------
    heard : OverSpeed
        Spectra over the speed of this rotor.
    rotor : Rotor
        The rotor, whose blades and poles name its orders.
    stays : sequence of DiscreteTone
        Tones that do not follow it.
    calibrated : bool
        Whether levels are sound pressure levels; only then a tone below the threshold of hearing
        is never prominent.

    Returns
    -------
    tuple of OrderTrack
        Orders heard at a fifth of the speeds and at three at least, low to high.

    Notes
    -----
    A tone's power is what its lines hold above the median of those around. Level and ratio are
    right within 0.5 dB in steps and in glides of up to 10 % of speed a second (closed forms, in
    the tests), except where `shared`.
    """
    shape = (_HIGHEST_ORDER, len(heard.rpm))
    power, ratio_db = np.full(shape, np.nan), np.full(shape, np.nan)
    possible = np.zeros(shape, dtype=np.bool_)
    for place, rpm in enumerate(heard.rpm.tolist()):
        density = heard.turned_density[place]
        noise = noise_of_lines(density, heard.averages(place))
        for order in range(1, _HIGHEST_ORDER + 1):
            hz = order * rpm / 60.0
            middle = round(hz / heard.spacing_hz)
            if hz < _LOWEST_HZ or not 3 * _HALF < middle < len(density) - 3 * _HALF:
                continue
            possible[order - 1, place] = True
            found = _tone_at(density, noise, hz, heard, place)
            if found > 0.0:
                power[order - 1, place] = found
                if LOWEST_TONE_HZ <= hz <= HIGHEST_TONE_HZ:
                    in_band = noise[middle] * critical_bandwidth_hz(hz)
                    ratio_db[order - 1, place] = 10.0 * np.log10(found / in_band)
    tracks = []
    for order in range(1, _HIGHEST_ORDER + 1):
        known = np.isfinite(power[order - 1])
        enough = max(_FEWEST, _LEAST_SHARE * np.count_nonzero(possible[order - 1]))
        if np.count_nonzero(known) < min(enough, len(heard.rpm)) or not known.any():
            continue
        frequency_hz = order * heard.rpm / 60.0
        levels = np.where(known, level_db(np.where(known, power[order - 1], 1.0)), np.nan)
        tracks.append(
            OrderTrack(
                rotor.name,
                order,
                order_name(rotor, order),
                heard.rpm,
                levels,
                ratio_db[order - 1],
                _prominent(frequency_hz, levels, ratio_db[order - 1], calibrated=calibrated),
                _shared(frequency_hz, stays, heard),
            )
        )
    return tuple(tracks)


def noise_of_lines(density: Samples, averages: int) -> Samples:
    """Noise under each line: the median of those around, as the mean that it stands for."""
    shape = max(1.0, 0.95 * averages)
    noise: Samples = (shape / gammaincinv(shape, 0.5)) * median_filter(
        density, _BESIDE, mode="nearest"
    )
    least = 1e-13 * float(density.max()) + np.finfo(np.float64).tiny
    floored: Samples = np.maximum(noise, least)
    return floored


def _tone_at(density: Samples, noise: Samples, hz: float, heard: OverSpeed, place: int) -> float:
    """Mean square of a tone in Pa^2; 0 where none stands out just there."""
    exact = hz / heard.spacing_hz
    near = np.arange(round(exact) - _HALF - 1, round(exact) + _HALF + 2)
    excess = density[near] - noise[near]
    # A tone between two lines reaches three to one side.
    near_enough = np.abs(near - exact) <= _HALF + 0.5
    total = float(excess[near_enough].sum())
    deviation = float(noise[near].mean()) * np.sqrt(near_enough.sum() / heard.averages(place))
    rise = np.maximum(excess, 0.0)
    if total < _SURE * deviation or not rise.any():
        return 0.0
    if abs(float(near @ rise / rise.sum()) - exact) > _OFF:
        return 0.0
    return total * heard.spacing_hz


def _prominent(
    frequency_hz: Samples, levels_db: Samples, ratio_db: Samples, *, calibrated: bool
) -> npt.NDArray[np.bool_]:
    """Where a tone is prominent."""
    prominent = np.zeros(len(frequency_hz), dtype=np.bool_)
    for place in np.flatnonzero(np.isfinite(ratio_db)).tolist():
        hz = float(frequency_hz[place])
        audible = not calibrated or levels_db[place] >= hearing_threshold_db(hz)
        prominent[place] = audible and ratio_db[place] >= prominent_tone_to_noise_ratio_db(hz)
    return prominent


def _shared(
    frequency_hz: Samples, stays: Sequence[DiscreteTone], heard: OverSpeed
) -> npt.NDArray[np.bool_]:
    """Where a tone that stays lies on the lines of an order."""
    shared = np.zeros(len(frequency_hz), dtype=np.bool_)
    for tone in stays:
        reach_hz = (2 * _HALF + 1) * heard.spacing_hz + heard.width * tone.frequency_hz
        shared |= np.abs(frequency_hz - tone.frequency_hz) < reach_hz
    return shared


def staying_tones(heard: OverSpeed, *, calibrated: bool) -> tuple[DiscreteTone, ...]:
    """Find the tones that stay where they are while the speed changes.

    Parameters
    ----------
    heard : OverSpeed
        Spectra over speed.
    calibrated : bool
        Whether levels are sound pressure levels.

    Returns
    -------
    tuple of DiscreteTone
        Tones of the median over speeds that are heard at most of them; none where there are fewer
        than six speeds or all within 15 %. They are resonances that something else excites, hum,
        switching, or another rotor whose speed is held.
    """
    if len(heard.rpm) < _FEWEST_SPEEDS or heard.rpm[-1] < _LEAST_RANGE * heard.rpm[0]:
        return ()
    # What follows the speed is at each frequency but for a few speeds, which a median leaves out.
    median = np.median(heard.even_density, axis=0)
    averages = max(1, int(0.6 * np.median(heard.counts) * len(heard.rpm)))
    spectrum = Spectrum(heard.spacing_hz, 1.5 * heard.spacing_hz, median[:, None], averages)
    found = discrete_tones(spectrum, calibrated=calibrated)
    noises = [
        noise_of_lines(density, heard.averages(place))
        for place, density in enumerate(heard.even_density)
    ]
    often = [
        sum(
            _tone_at(density, noise, tone.frequency_hz, heard, place) > 0.0
            for place, (density, noise) in enumerate(zip(heard.even_density, noises, strict=True))
        )
        for tone in found
    ]
    return tuple(
        tone for tone, count in zip(found, often, strict=True) if count >= _MOSTLY * len(heard.rpm)
    )
