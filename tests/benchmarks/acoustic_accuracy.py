"""Error and speed of our acoustics beside the acoustics package and plain SciPy, in one run.

Run as ``python tests/benchmarks/acoustic_accuracy.py [--seconds 60]``. Every method gets the same
sound; speed is sound time over computing time. Nothing is asserted: the tests do that.
"""

import argparse
import importlib
import sys
import time
import warnings
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import scipy.special
from scipy.signal import bilinear_zpk, butter, lfilter, sosfilt, welch, zpk2sos

from acoustic.analyser import analyse, start
from acoustic.band_filters import band_filters
from acoustic.frequency_weighting import a_weighting_db, frequency_weighted
from acoustic.octave_bands import hear_bands, start_bands
from acoustic.signals import PressureSignal, Samples
from acoustic.spectrum import spectrum_of
from acoustic.time_weighting import time_weighted_level

RATE_HZ = 48_000
BANDS = band_filters(float(RATE_HZ), 3).bands


class Method(NamedTuple):
    """One way to do a task: how far off it is, and how fast."""

    name: str
    error_db: Callable[[], float]
    work: Callable[[Samples], object]


def other_package(module: str):
    """Import a module of the acoustics package, which asks SciPy for a function that is gone."""
    if not hasattr(scipy.special, "sph_harm"):
        scipy.special.sph_harm = None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return importlib.import_module(f"acoustics.{module}" if module else "acoustics")


# --- A-weighting: response to an impulse against the definition, 20 Hz to 16 kHz -----------------


def weighting_error_db(weigh: Callable[[Samples], Samples]) -> float:
    """Largest deviation from the definition."""
    impulse = np.zeros(4 * RATE_HZ)
    impulse[0] = 1.0
    frequency_hz = np.fft.rfftfreq(len(impulse), 1 / RATE_HZ)
    audible = (frequency_hz >= 20) & (frequency_hz <= 16_000)
    response_db = 20 * np.log10(np.abs(np.fft.rfft(weigh(impulse)))[audible])
    return np.abs(response_db - a_weighting_db(frequency_hz[audible])).max()


def our_weighting(samples: Samples) -> Samples:
    """Fitted filters."""
    return frequency_weighted(PressureSignal(samples[:, None], RATE_HZ), "A").samples[:, 0]


def their_weighting(samples: Samples) -> Samples:
    """Weighting of the acoustics package."""
    return np.asarray(other_package("").Signal(samples, RATE_HZ).weigh("A"))


def plain_weighting(samples: Samples) -> Samples:
    """Analog poles through the bilinear transform."""
    poles = -2 * np.pi * np.array([20.599, 20.599, 107.653, 737.862, 12194.217, 12194.217])
    gain = (2 * np.pi * 12194.217) ** 2 * 10 ** (2.0 / 20)
    return sosfilt(zpk2sos(*bilinear_zpk([0, 0, 0, 0], poles, gain, RATE_HZ)), samples)


# --- Time weighting F: tonebursts against the closed form -----------------------------------------


def toneburst_error_db(maximum_db: Callable[[Samples], float]) -> float:
    """Largest deviation from 10 lg(1 - exp(-T / tau)), bursts of 1 ms to 1 s."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    errors = []
    for duration_s in (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0):
        inside = (time_s >= 0.1234) & (time_s < 0.1234 + duration_s)
        burst = inside * np.sqrt(2) * np.sin(2 * np.pi * 4000 * (time_s - 0.1234))
        expected_db = 10 * np.log10((1 - np.exp(-duration_s / 0.125)) / 20e-6**2)
        errors.append(abs(maximum_db(burst) - expected_db))
    return max(errors)


def our_fast(samples: Samples) -> float:
    """Exponential average over milliseconds."""
    return time_weighted_level(PressureSignal(samples[:, None], RATE_HZ), "F").level_db.max()


def their_fast(samples: Samples) -> float:
    """Fast level of the acoustics package."""
    return other_package("standards.iec_61672_1_2013").fast_level(samples, RATE_HZ)[1].max()


def plain_fast(samples: Samples) -> float:
    """One pole over every squared sample."""
    decay = np.exp(-1 / (0.125 * RATE_HZ))
    return 10 * np.log10(lfilter([1 - decay], [1, -decay], samples**2).max() / 20e-6**2)


# --- One-third octaves: pink noise with all lines, against ideal bands ----------------------------


def pink_error_db(mean_squares: Callable[[Samples], Samples]) -> float:
    """Largest deviation from the share of an ideal band, 25 Hz to 16 kHz."""
    frames = 5 * RATE_HZ
    phases = np.exp(2j * np.pi * np.random.default_rng(2).random(frames // 2 + 1))
    phases[1:] /= np.sqrt(np.arange(1, len(phases)) / 5)
    phases[0] = 0
    pink = np.fft.irfft(phases, frames) * frames / np.sqrt(2 * 5)
    passed = mean_squares(np.concatenate([pink, pink]))
    return np.abs(10 * np.log10(passed / np.log(BANDS.upper_hz / BANDS.lower_hz)))[1:-1].max()


def our_bands(samples: Samples) -> Samples:
    """Multirate filters of fourth order; second half of the sound."""
    state, rows = start_bands(band_filters(float(RATE_HZ), 3), 1), []
    for block in np.array_split(samples[:, None], max(1, len(samples) // 65_536)):
        state, more = hear_bands(state, block)
        rows.append(more)
    together = np.concatenate(rows)[:, 0]
    return together[len(together) // 2 :].mean(axis=0)


def their_bands(samples: Samples) -> Samples:
    """Filters of the acoustics package."""
    signal = other_package("signal")
    _, passed = signal.bandpass_third_octaves(samples, RATE_HZ, frequencies=BANDS.exact_hz)
    return np.mean(np.square(passed)[:, len(samples) // 2 :], axis=1)


def plain_bands(samples: Samples) -> Samples:
    """Butterworth filters of third order at the full rate."""
    result = []
    for low_hz, high_hz in zip(BANDS.lower_hz, BANDS.upper_hz, strict=True):
        sections = butter(3, [low_hz, high_hz], "bandpass", output="sos", fs=RATE_HZ)
        result.append(np.mean(np.square(sosfilt(sections, samples)[len(samples) // 2 :])))
    return np.array(result)


# --- Spectrum and the whole chain: speed only -----------------------------------------------------


def our_spectrum(samples: Samples) -> object:
    """Averaged spectrum with lines every hertz."""
    return spectrum_of(PressureSignal(samples[:, None], RATE_HZ), spacing_hz=1.0)


def plain_spectrum(samples: Samples) -> object:
    """The same with SciPy."""
    return welch(samples, RATE_HZ, nperseg=RATE_HZ, detrend=False)


def chain(samples: Samples, *, bands: bool) -> None:
    """Analyse in blocks of a second."""
    state = start(RATE_HZ, 1, bands=bands)
    for block in np.array_split(samples[:, None], max(1, len(samples) // RATE_HZ)):
        state, _ = analyse(state, PressureSignal(block, RATE_HZ))


TASKS = {
    "A-weighting, 20 Hz to 16 kHz": (
        Method("evenhush", lambda: weighting_error_db(our_weighting), our_weighting),
        Method("acoustics", lambda: weighting_error_db(their_weighting), their_weighting),
        Method("SciPy", lambda: weighting_error_db(plain_weighting), plain_weighting),
    ),
    "F, tonebursts of 1 ms to 1 s": (
        Method("evenhush", lambda: toneburst_error_db(our_fast), our_fast),
        Method("acoustics", lambda: toneburst_error_db(their_fast), their_fast),
        Method("SciPy", lambda: toneburst_error_db(plain_fast), plain_fast),
    ),
    "one-third octaves, pink noise": (
        Method("evenhush", lambda: pink_error_db(our_bands), our_bands),
        Method("acoustics", lambda: pink_error_db(their_bands), their_bands),
        Method("SciPy", lambda: pink_error_db(plain_bands), plain_bands),
    ),
    "spectrum, lines every hertz": (
        Method("evenhush", lambda: float("nan"), our_spectrum),
        Method("SciPy", lambda: float("nan"), plain_spectrum),
    ),
    "whole chain": (
        Method("broadband", lambda: float("nan"), lambda x: chain(x, bands=False)),
        Method("with bands", lambda: float("nan"), lambda x: chain(x, bands=True)),
    ),
}


def line(method: Method, samples: Samples) -> str:
    """Error and speed of one method, or why it has none."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            error_db = method.error_db()
            method.work(samples[:RATE_HZ])
            begun = time.perf_counter()
            method.work(samples)
            speed = len(samples) / RATE_HZ / (time.perf_counter() - begun)
    except Exception as problem:  # noqa: BLE001 - whatever another package raises is its result
        return f"  {method.name:12} fails: {type(problem).__name__}: {problem}"
    error = "       –" if np.isnan(error_db) else f"{error_db:8.4f}"
    return f"  {method.name:12} error {error} dB   {speed:8.0f} x real time"


def main() -> None:
    """Print every task."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="length of the sound")
    seconds = parser.parse_args().seconds
    samples = np.random.default_rng(1).normal(size=round(seconds * RATE_HZ))
    for task, methods in TASKS.items():
        sys.stdout.write(task + "\n")
        for method in methods:
            sys.stdout.write(line(method, samples) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
