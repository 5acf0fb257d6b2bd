"""Error and speed of our acoustics beside the acoustics package and plain SciPy, in one run.

Run as ``python tests/benchmarks/acoustic_accuracy.py [--seconds 60]``. Every way of a task gets the
same sound, one channel at 48 kHz, and gives the same kind of result. Ways take turns, and the best
of several rounds counts, as other work on the machine only ever adds; time is that of the
processor. Errors are those against the definition. Nothing is asserted: the tests do that.
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

from acoustic import array_kernels
from acoustic.analyser import analyse, finish, start
from acoustic.band_filters import band_filters
from acoustic.decibels import level_db
from acoustic.frequency_weighting import a_weighting_db, c_weighting_db
from acoustic.kernels import Kernels
from acoustic.short_levels import ShortLevels, join_short_levels
from acoustic.signals import PressureSignal, Samples
from acoustic.spectrum import add_to_spectrum, averaged_spectrum, start_spectrum
from acoustic.time_weighting import time_weighted_level
from service.wiring.kernels import keep_freed_memory

RATE_HZ = 48_000
BLOCK = 8 * RATE_HZ
ROW = RATE_HZ // 10
BANDS = band_filters(float(RATE_HZ), 3).bands
ROUNDS = 5


class Way(NamedTuple):
    """One way to do a task: how far off it is, and what it does with a sound."""

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


def measured(samples: Samples, kernels: Kernels, *, bands: bool) -> ShortLevels:
    """All levels of every 100 ms, as we measure them."""
    state, parts = start(RATE_HZ, 1, bands=bands, kernels=kernels), []
    for first in range(0, len(samples), BLOCK):
        block = PressureSignal(samples[first : first + BLOCK, None], RATE_HZ)
        state, levels = analyse(state, block)
        parts.append(levels)
    return join_short_levels([*parts, finish(state)])


def by_row(samples: Samples) -> Samples:
    """Mean squares of every 100 ms."""
    return np.square(samples[: len(samples) // ROW * ROW]).reshape(-1, ROW).mean(axis=1)


# --- A- and C-weighted levels of every 100 ms: steady tones against the definition ----------------


def weighting_error_db(levels: Callable[[Samples], tuple[Samples, Samples]]) -> float:
    """Largest deviation from the definition, 20 Hz to 16 kHz."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    # Whole periods in 100 ms.
    tones_hz = np.round(BANDS.exact_hz[:-1], -1)
    errors = []
    for frequency_hz in tones_hz:
        tone = np.sqrt(2) * np.sin(2 * np.pi * frequency_hz * time_s)
        defined = a_weighting_db(frequency_hz), c_weighting_db(frequency_hz)
        for level, weighting_db in zip(levels(tone), defined, strict=True):
            errors.append(level[-1] - level_db(np.ones(1))[0] - weighting_db)
    return float(np.abs(errors).max())


def our_weighted(kernels: Kernels) -> Callable[[Samples], tuple[Samples, Samples]]:
    """Fitted filters; Z, F, S and the peak come with them."""

    def levels(samples: Samples) -> tuple[Samples, Samples]:
        rows = measured(samples, kernels, bands=False)
        return rows.LAeq_db[:, 0], rows.LCeq_db[:, 0]

    return levels


def their_weighted(samples: Samples) -> tuple[Samples, Samples]:
    """Weightings and averages of the acoustics package."""
    signal = other_package("").Signal(samples, RATE_HZ)
    average = other_package("standards.iec_61672_1_2013").time_averaged_sound_level
    weighted = (np.asarray(signal.weigh(weighting)) for weighting in ("A", "C"))
    A_db, C_db = (average(samples, RATE_HZ, 0.1)[1] for samples in weighted)
    return A_db, C_db


def plain_weighted(samples: Samples) -> tuple[Samples, Samples]:
    """Analog poles through the bilinear transform."""
    poles = -2 * np.pi * np.array([20.599, 20.599, 12194.217, 12194.217, 107.653, 737.862])
    gain = (2 * np.pi * 12194.217) ** 2
    A_db, C_db = (
        level_db(by_row(sosfilt(zpk2sos(*bilinear_zpk(zeros, some, factor, RATE_HZ)), samples)))
        for zeros, some, factor in (
            ([0, 0, 0, 0], poles, gain * 10 ** (2.0 / 20)),
            ([0, 0], poles[:4], gain * 10 ** (0.062 / 20)),
        )
    )
    return A_db, C_db


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
    return level_db(lfilter([1 - decay], [1, -decay], samples**2)).max()


# --- One-third octaves of every 100 ms: pink noise with all lines, against ideal bands ------------


def pink_error_db(mean_squares: Callable[[Samples], Samples]) -> float:
    """Largest deviation from the share of an ideal band, 25 Hz to 16 kHz."""
    frames = 5 * RATE_HZ
    phases = np.exp(2j * np.pi * np.random.default_rng(2).random(frames // 2 + 1))
    phases[1:] /= np.sqrt(np.arange(1, len(phases)) / 5)
    phases[0] = 0
    pink = np.fft.irfft(phases, frames) * frames / np.sqrt(2 * 5)
    rows = mean_squares(np.concatenate([pink, pink]))
    passed = rows[len(rows) // 2 :].mean(axis=0)
    return np.abs(10 * np.log10(passed / np.log(BANDS.upper_hz / BANDS.lower_hz)))[1:-1].max()


def our_bands(kernels: Kernels) -> Callable[[Samples], Samples]:
    """Multirate filters of fourth order; all broadband levels come with them."""
    return lambda samples: measured(samples, kernels, bands=True).band_mean_square_pa2[:, 0]


def their_bands(samples: Samples) -> Samples:
    """Filters of the acoustics package, one band at a time as its filter bank fails."""
    bandpass = other_package("signal").bandpass
    edges = zip(BANDS.lower_hz, np.minimum(BANDS.upper_hz, 0.499 * RATE_HZ), strict=True)
    return np.stack([by_row(bandpass(samples, *limits, RATE_HZ)) for limits in edges], axis=1)


def plain_bands(samples: Samples) -> Samples:
    """Butterworth filters of the same order at the full rate."""
    sections = (
        butter(4, limits, "bandpass", output="sos", fs=RATE_HZ)
        for limits in zip(BANDS.lower_hz, BANDS.upper_hz, strict=True)
    )
    return np.stack([by_row(sosfilt(band, samples)) for band in sections], axis=1)


# --- Averaged spectrum with lines every hertz: a tone on a line -----------------------------------


def tone_error_db(line_powers: Callable[[Samples], Samples]) -> float:
    """Deviation of a tone's level on its line."""
    tone = np.sqrt(2) * np.sin(2 * np.pi * 1000 * np.arange(4 * RATE_HZ) / RATE_HZ)
    return abs(10 * np.log10(line_powers(tone)[1000]))


def our_spectrum(samples: Samples) -> Samples:
    """Segments side by side in single precision."""
    state = start_spectrum(RATE_HZ, 1, spacing_hz=1.0, precision="single")
    for first in range(0, len(samples), BLOCK):
        block = PressureSignal(samples[first : first + BLOCK, None], RATE_HZ)
        state = add_to_spectrum(state, block)
    return averaged_spectrum(state).power_pa2[:, 0]


def plain_spectrum(samples: Samples) -> Samples:
    """The same with SciPy."""
    return welch(samples, RATE_HZ, nperseg=RATE_HZ, detrend=False, scaling="spectrum")[1]


# --- All of it ------------------------------------------------------------------------------------


def our_chain(kernels: Kernels) -> Callable[[Samples], object]:
    """Levels, bands and spectrum in one go."""
    return lambda samples: (measured(samples, kernels, bands=True), our_spectrum(samples))


def their_chain(samples: Samples) -> None:
    """What the acoustics package has of it: no F or S that runs, and no averaged spectrum."""
    their_weighted(samples)
    their_bands(samples)


def plain_chain(samples: Samples) -> None:
    """One task after the other; F and S alike."""
    plain_weighted(samples)
    plain_fast(samples)
    plain_fast(samples)
    plain_bands(samples)
    plain_spectrum(samples)


def tasks() -> dict[str, list[Way]]:
    """Every task with all ways to do it."""
    ours: dict[str, Kernels] = {"evenhush, NumPy": array_kernels}
    try:
        ours["evenhush, compiled"] = importlib.import_module("acoustic.compiled_kernels")
    except ImportError:  # numba is not installed
        sys.stdout.write("The compiled loops need numba.\n")

    def weighting(way: Callable[[Samples], tuple[Samples, Samples]]) -> Callable[[], float]:
        return lambda: weighting_error_db(way)

    def pink(way: Callable[[Samples], Samples]) -> Callable[[], float]:
        return lambda: pink_error_db(way)

    def worst(*errors: Callable[[], float]) -> Callable[[], float]:
        return lambda: max(error() for error in errors)

    def tone(way: Callable[[Samples], Samples]) -> Callable[[], float]:
        return lambda: tone_error_db(way)

    def burst(way: Callable[[Samples], float]) -> Callable[[], float]:
        return lambda: toneburst_error_db(way)

    result: dict[str, list[Way]] = {
        "A and C of 100 ms, tones from 20 Hz to 16 kHz": [
            *(Way(k, weighting(our_weighted(v)), our_weighted(v)) for k, v in ours.items()),
            Way("acoustics", weighting(their_weighted), their_weighted),
            Way("SciPy", weighting(plain_weighted), plain_weighted),
        ],
        "F, tonebursts of 1 ms to 1 s": [
            Way("evenhush, NumPy", burst(our_fast), our_fast),
            Way("acoustics", burst(their_fast), their_fast),
            Way("SciPy", burst(plain_fast), plain_fast),
        ],
        "one-third octaves of 100 ms, pink noise": [
            *(Way(k, pink(our_bands(v)), our_bands(v)) for k, v in ours.items()),
            Way("acoustics", pink(their_bands), their_bands),
            Way("SciPy", pink(plain_bands), plain_bands),
        ],
        "spectrum, lines every hertz, a tone": [
            Way("evenhush, NumPy", tone(our_spectrum), our_spectrum),
            Way("SciPy", tone(plain_spectrum), plain_spectrum),
        ],
        "A, C, Z, F, S, one-third octaves, spectrum; worst of the errors above but F": [
            *(
                Way(k, worst(weighting(our_weighted(v)), pink(our_bands(v))), our_chain(v))
                for k, v in ours.items()
            ),
            Way(
                "acoustics, A, C, bands", worst(weighting(their_weighted), pink(their_bands)),
                their_chain,
            ),
            Way("SciPy", worst(weighting(plain_weighted), pink(plain_bands)), plain_chain),
        ],
    }  # fmt: skip
    return result


def lines(ways: list[Way], samples: Samples) -> list[str]:
    """Error and speed of every way, or why it has none."""
    error_db: dict[str, float | str] = {}
    seconds: dict[str, list[float]] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for way in ways:
            try:
                error_db[way.name] = way.error_db()
            except Exception as problem:  # noqa: BLE001 - what another package raises is its result
                error_db[way.name] = f"fails: {type(problem).__name__}: {problem}"
        for _ in range(ROUNDS):
            for way in ways:
                if isinstance(error_db[way.name], float):
                    begun = time.process_time()
                    way.work(samples)
                    seconds.setdefault(way.name, []).append(time.process_time() - begun)
    return [
        f"  {name:23} {error}"
        if isinstance(error, str)
        else f"  {name:23} error {error:8.4f} dB   "
        f"{len(samples) / RATE_HZ / min(seconds[name]):8.0f} x real time"
        for name, error in error_db.items()
    ]


def main() -> None:
    """Print every task."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="length of the sound")
    seconds = parser.parse_args().seconds
    samples = np.random.default_rng(1).normal(size=round(seconds * RATE_HZ))
    keep_freed_memory()  # as the product does
    for task, ways in tasks().items():
        sys.stdout.write("\n".join([task, *lines(ways, samples), ""]))
        sys.stdout.flush()


if __name__ == "__main__":
    main()
