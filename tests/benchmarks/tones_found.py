"""How well discrete tones are found and judged, beside closed forms, as a table.

Run as ``python tests/benchmarks/tones_found.py [--runs 300] [--seconds 20] [--seed 2711]``.
Tones of known power are put into random noise that is white or falls by 3 or 6 dB per octave, at
ratios from -3 to +20 dB; the ratio in the noise of a critical band is an integral. Nothing is
asserted: the tests do that.
"""

import argparse
import sys
from collections.abc import Callable, Iterable
from typing import NamedTuple

import numpy as np

from acoustic.critical_bands import critical_band, critical_bandwidth_hz, merging_distance_hz
from acoustic.signals import PressureSignal, Samples
from acoustic.spectrum import spectrum_of
from acoustic.tones import DiscreteTone, discrete_tones

RATE_HZ = 32_000
DENSITY = 1e-9
"""Power spectral density of the noise at 1 kHz, in Pa^2/Hz."""
RATIOS_DB = ((-3.0, 0.0), (0.0, 6.0), (6.0, 20.0))


class Given(NamedTuple):
    """A tone that is put in."""

    frequency_hz: float
    power_pa2: float
    relative_course: Samples | float = 1.0
    """Its frequency over time, relative to the mean."""
    looked_for: bool = True


def density(frequency_hz: Samples, slope: int) -> Samples:
    """Density of the noise, which falls by three times `slope` dB per octave."""
    return DENSITY * (np.maximum(frequency_hz, 30.0) / 1000.0) ** -slope


def noise(rng: np.random.Generator, seconds: float, slope: int) -> Samples:
    """Gaussian noise of that density."""
    frames = round(seconds * RATE_HZ)
    lines = np.fft.rfft(rng.standard_normal(frames))
    shape = density(np.fft.rfftfreq(frames, 1 / RATE_HZ), slope)
    return np.fft.irfft(lines * np.sqrt(shape * RATE_HZ / 2), frames)


def noise_in_band(frequency_hz: float, slope: int) -> float:
    """Power of the noise in the critical band around a frequency."""
    band = critical_band(frequency_hz)
    places = np.linspace(band.lower_hz, band.upper_hz, 2001)
    return float(np.trapezoid(density(places, slope), places))


class Draw:
    """Draws tones in one kind of noise."""

    def __init__(self, rng: np.random.Generator, seconds: float) -> None:
        self.rng = rng
        self.seconds = seconds
        self.slope = int(rng.integers(3))

    def frequency_hz(self) -> float:
        """Anywhere from 95 Hz to 9 kHz."""
        return float(np.exp(self.rng.uniform(np.log(95.0), np.log(9000.0))))

    def tone(self, frequency_hz: float, *, course: Samples | float = 1.0) -> Given:
        """A tone of any ratio."""
        ratio = 10 ** (self.rng.uniform(-3.0, 20.0) / 10)
        return Given(frequency_hz, ratio * noise_in_band(frequency_hz, self.slope), course)

    def steady(self) -> list[Given]:
        """One steady tone."""
        return [self.tone(self.frequency_hz())]

    def pair(self) -> list[Given]:
        """Two in one critical band, at least 4 Hz apart."""
        first_hz = self.frequency_hz()
        apart_hz = self.rng.uniform(4.0, 0.5 * critical_bandwidth_hz(first_hz))
        return [self.tone(first_hz), self.tone(first_hz + apart_hz)]

    def beside_hum(self) -> list[Given]:
        """One 4 to 20 Hz beside a multiple of the mains frequency that is there too."""
        mains_hz = 50.0 * (1 + self.rng.uniform(-4e-4, 4e-4))
        hum = []
        for multiple in (1, 2, 3, 4, 6):
            power = 10 ** (self.rng.uniform(3.0, 15.0) / 10)
            power *= noise_in_band(multiple * mains_hz, self.slope)
            hum.append(Given(multiple * mains_hz, power, looked_for=False))
        apart_hz = self.rng.uniform(4.0, 20.0)
        side = 1 if (multiple := int(self.rng.choice([2, 3, 4, 6]))) == 2 else -1
        return [*hum, self.tone(multiple * mains_hz + side * apart_hz)]

    def gliding(self) -> list[Given]:
        """One that changes by up to 1 % from beginning to end."""
        time = np.linspace(-0.5, 0.5, round(self.seconds * RATE_HZ))
        course = 1 + self.rng.uniform(-0.01, 0.01) * time
        return [self.tone(self.frequency_hz(), course=course)]

    def hunting(self) -> list[Given]:
        """One that wanders by 0.05 to 0.15 % within one to four seconds."""
        steps = int(self.seconds * 50)
        keep = np.exp(-0.02 / self.rng.uniform(1.0, 4.0))
        pushes = np.sqrt(1 - keep**2) * self.rng.standard_normal(steps)
        wander = [self.rng.standard_normal()]
        for push in pushes[1:]:
            wander.append(keep * wander[-1] + push)
        time = np.arange(round(self.seconds * RATE_HZ)) / RATE_HZ
        sd = self.rng.uniform(5e-4, 15e-4)
        course = 1 + sd * np.interp(time, 0.02 * np.arange(steps), np.array(wander))
        return [self.tone(self.frequency_hz(), course=course / course.mean())]


def heard(draw: Draw, given: list[Given]) -> tuple[DiscreteTone, ...]:
    """Tones found in the sound of some that are given."""
    sound = noise(draw.rng, draw.seconds, draw.slope)
    for tone in given:
        course_hz = tone.frequency_hz * tone.relative_course * np.ones(len(sound))
        phase = 2 * np.pi * np.cumsum(course_hz) / RATE_HZ + draw.rng.uniform(0, 2 * np.pi)
        sound += np.sqrt(2 * tone.power_pa2) * np.sin(phase)
    spectrum = spectrum_of(PressureSignal(sound[:, None], RATE_HZ), spacing_hz=1.0)
    return discrete_tones(spectrum, calibrated=False)


def judged(
    draw: Draw, given: list[Given], found: tuple[DiscreteTone, ...]
) -> list[tuple[float, float, float]]:
    """Own ratio, relative error of frequency and error of the ratio, for each looked for."""
    rows = []
    for tone in given:
        if not tone.looked_for:
            continue
        f, noise_power = tone.frequency_hz, noise_in_band(tone.frequency_hz, draw.slope)
        band = critical_band(f)
        together = tone.power_pa2 + sum(
            other.power_pa2
            for other in given
            if other.power_pa2 < tone.power_pa2
            and band.lower_hz < other.frequency_hz < band.upper_hz
            and abs(other.frequency_hz - f) < merging_distance_hz(f)
        )
        near = min(found, key=lambda each: abs(each.frequency_hz - f), default=None)
        if near is None or abs(near.frequency_hz / f - 1) > 0.005:
            off, ratio_off_db = np.nan, np.nan
        else:
            off = abs(near.frequency_hz / f - 1)
            ratio_off_db = near.tone_to_noise_ratio_db - 10 * np.log10(together / noise_power)
        rows.append((10 * np.log10(tone.power_pa2 / noise_power), off, ratio_off_db))
    return rows


KINDS: dict[str, Callable[[Draw], list[Given]]] = {
    "steady": Draw.steady,
    "pairs in one band": Draw.pair,
    "beside hum": Draw.beside_hum,
    "gliding": Draw.gliding,
    "hunting": Draw.hunting,
}


def table(rng: np.random.Generator, runs: int, seconds: float) -> Iterable[str]:
    """Every line of the table."""
    yield "ratio, dB | tones, found | frequency off, p95, p99 | ratio off, mean, p95, within"
    for name, kind in KINDS.items():
        yield name
        rows = []
        for _ in range(runs):
            draw = Draw(rng, seconds)
            given = kind(draw)
            rows += judged(draw, given, heard(draw, given))
        figures = np.array(rows)
        for low, high in RATIOS_DB:
            some = figures[(figures[:, 0] >= low) & (figures[:, 0] < high)]
            seen = some[np.isfinite(some[:, 1])]
            if len(seen):
                yield f"  {low:+3.0f} to {high:+3.0f} | {len(some):4d} " + line(some, seen)
    false = 0
    for _ in range(runs):
        draw = Draw(rng, float(rng.uniform(2.0, seconds)))
        false += any(tone.prominent for tone in heard(draw, []))
    yield f"noise alone: {false} of {runs} spectra with a prominent tone"


def line(some: Samples, seen: Samples) -> str:
    """Figures of the tones of a range of ratios, and of those that were found."""
    off = 100 * np.quantile(seen[:, 1], [0.95, 0.99])
    ratio_off_db = np.abs(seen[:, 2])
    return (
        f"{len(seen) / len(some):7.1%} | {off[0]:.4f} % {off[1]:.4f} % | "
        f"{seen[:, 2].mean():+.2f} dB {np.quantile(ratio_off_db, 0.95):.2f} dB "
        f"{np.mean(ratio_off_db <= 0.5):.1%} within 0.5 dB"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=300, help="sounds of each kind")
    parser.add_argument("--seconds", type=float, default=20.0, help="length of each")
    parser.add_argument("--seed", type=int, default=2711)
    asked = parser.parse_args()
    for text in table(np.random.default_rng(asked.seed), asked.runs, asked.seconds):
        sys.stdout.write(text + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
