"""A rotor that glides up and down, with tones whose frequency and level are known at any time."""

from typing import NamedTuple

import numpy as np

from acoustic.signals import PressureSignal
from acoustic.speed_course import SpeedCourse

__all__ = ["RATE_HZ", "Glide", "gliding_machine"]

RATE_HZ = 16_000
LOW_RPM, HIGH_RPM = 800.0, 1800.0


class Glide(NamedTuple):
    """The sound of a glide and the truth about it."""

    samples: np.ndarray
    """Sound pressure in Pa."""
    true: SpeedCourse
    """Speed over time."""
    read: SpeedCourse
    """The same as a tachometer tells it."""

    def blocks(self):
        """Return the sound block by block."""
        size = 2**16
        for first in range(0, len(self.samples), size):
            yield PressureSignal(self.samples[first : first + size, None], RATE_HZ)


def gliding_machine(
    *, rate_per_s, orders, stays=(), resonance=None, delay_s=0.0, off=0.0, noise_db=-20.0, seed=1
):
    """Glide once from 1800 to 800 rpm and back, at most so fast.

    Parameters
    ----------
    rate_per_s
        Largest relative change of speed a second.
    orders
        Level in dB of each order.
    stays
        Frequency and level of tones that stay.
    resonance
        Frequency, half-width and gain in dB of what makes orders louder there.
    delay_s, off
        By how much the sound comes after the readings, and their relative deviation.
    noise_db
        Level of white noise in each hertz.
    seed
        Of noise and readings.
    """
    rng = np.random.default_rng(seed)
    half_range = 0.5 * np.log(HIGH_RPM / LOW_RPM)
    turn = rate_per_s / half_range
    time_s = np.arange(round(2.0 * np.pi / turn * RATE_HZ)) / RATE_HZ
    rpm = np.sqrt(LOW_RPM * HIGH_RPM) * np.exp(half_range * np.cos(turn * time_s))
    angle = 2.0 * np.pi * np.cumsum(rpm) / 60.0 / RATE_HZ
    samples = 20e-6 * 10 ** (noise_db / 20) * np.sqrt(RATE_HZ / 2) * rng.standard_normal(len(rpm))
    for order, level_db in orders.items():
        levels = np.full(len(rpm), level_db)
        if resonance is not None:
            at_hz, half_width_hz, gain_db = resonance
            away = (order * rpm / 60.0 - at_hz) / half_width_hz
            levels += 10 * np.log10(1 + (10 ** (gain_db / 10) - 1) / (1 + away**2))
        samples += np.sqrt(2) * 20e-6 * 10 ** (levels / 20) * np.sin(order * angle + order)
    for hz, level_db in stays:
        samples += np.sqrt(2) * 20e-6 * 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * time_s)
    read_s = np.arange(0.0, time_s[-1], 0.5)
    read = np.interp(read_s + delay_s, time_s, rpm) * (1.0 + off)
    read = 10.0 * np.round(read * (1.0 + 0.002 * rng.standard_normal(len(read))) / 10.0)
    return Glide(samples, SpeedCourse(time_s[::240], rpm[::240]), SpeedCourse(read_s, read))
