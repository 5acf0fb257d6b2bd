"""Speed and memory of the acoustic chain: NumPy beside compiled loops beside plain SciPy.

Run as ``python tests/benchmarks/chain_speed.py [--seconds 300]``. Every way measures the same
sound, one channel at 48 kHz, in a process of its own on one core: A, C and Z, F and S, one-third
octaves of every 100 ms, and a spectrum. Ways take turns, and the best of several rounds counts,
as other work on the machine only ever adds. Time is that of the processor. Nothing is asserted.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, lfilter, sosfilt, welch

from acoustic import array_kernels
from acoustic.analyser import analyse, finish, start
from acoustic.band_frequencies import audible_bands
from acoustic.frequency_weighting import frequency_weighted
from acoustic.kernels import Kernels
from acoustic.signals import DigitalSignal, PressureSignal, Samples
from acoustic.spectrum import add_to_spectrum, averaged_spectrum, start_spectrum
from service.wiring.kernels import keep_freed_memory

RATE_HZ = 48_000
BLOCK = 8 * RATE_HZ


def kernels_named(name: str) -> Kernels:
    """Load one set of inner loops."""
    if name == "NumPy":
        return array_kernels
    from acoustic import compiled_kernels  # noqa: PLC0415 - where numba is missing, NumPy still runs

    return compiled_kernels


def blocks(path: Path) -> Iterator[Samples]:
    """Read a recording, floats as they are stored."""
    with soundfile.SoundFile(path) as file:
        dtype = "float32" if file.subtype == "FLOAT" else "float64"
        while len(samples := file.read(BLOCK, dtype=dtype, always_2d=True)):
            yield samples


def decode(path: Path) -> None:
    """Read a recording and throw it away."""
    for _ in blocks(path):
        pass


def chain(path: Path, kernels: Kernels) -> None:
    """Measure a recording block by block."""
    state = start(RATE_HZ, 1, kernels=kernels)
    spectrum = start_spectrum(RATE_HZ, 1, spacing_hz=1.0, precision="single")
    for samples in blocks(path):
        sound = PressureSignal.from_digital(DigitalSignal(samples, RATE_HZ), 2.0)
        state, _ = analyse(state, sound)
        spectrum = add_to_spectrum(spectrum, sound)
    finish(state)
    averaged_spectrum(spectrum)


def live(path: Path, kernels: Kernels, *, bands: bool) -> None:
    """Measure a recording in blocks of 100 ms, as a live view does."""
    samples, _ = soundfile.read(path, always_2d=True)
    state = start(RATE_HZ, 1, bands=bands, kernels=kernels)
    for first in range(0, len(samples), RATE_HZ // 10):
        block = samples[first : first + RATE_HZ // 10]
        state, _ = analyse(state, PressureSignal(block, RATE_HZ))


def plain(path: Path) -> None:
    """Measure a recording with whole arrays and SciPy alone, every filter at the full rate."""
    samples, _ = soundfile.read(path, always_2d=True)
    signal = PressureSignal(samples, RATE_HZ)
    A, C = (frequency_weighted(signal, weighting).samples[:, 0] for weighting in ("A", "C"))
    for squares in (np.square(C), np.square(samples[:, 0])):
        np.add.reduceat(squares, np.arange(0, len(squares), RATE_HZ // 10))
    for time_constant_s in (0.125, 1.0):
        decay = np.exp(-1.0 / (time_constant_s * RATE_HZ))
        lfilter([1.0 - decay], [1.0, -decay], np.square(A))
    bands = audible_bands(RATE_HZ, 3)
    for low_hz, high_hz in zip(bands.lower_hz, bands.upper_hz, strict=True):
        sections = butter(4, [low_hz, high_hz], "bandpass", output="sos", fs=RATE_HZ)
        squares = np.square(sosfilt(sections, samples[:, 0]))
        np.add.reduceat(squares, np.arange(0, len(squares), RATE_HZ // 10))
    welch(samples[:, 0], RATE_HZ, nperseg=RATE_HZ, detrend=False)


WAYS: dict[str, tuple[str, Callable[[Path], None]]] = {
    "WAV, decoding alone": ("wav", decode),
    "WAV, plain SciPy": ("wav", plain),
    "WAV, NumPy": ("wav", lambda path: chain(path, kernels_named("NumPy"))),
    "WAV, compiled": ("wav", lambda path: chain(path, kernels_named("compiled"))),
    "FLAC, decoding alone": ("flac", decode),
    "FLAC, NumPy": ("flac", lambda path: chain(path, kernels_named("NumPy"))),
    "FLAC, compiled": ("flac", lambda path: chain(path, kernels_named("compiled"))),
    "100 ms, NumPy": ("wav", lambda path: live(path, kernels_named("NumPy"), bands=False)),
    "100 ms, compiled": ("wav", lambda path: live(path, kernels_named("compiled"), bands=False)),
    "100 ms with bands, NumPy": (
        "wav",
        lambda path: live(path, kernels_named("NumPy"), bands=True),
    ),
    "100 ms with bands, compiled": (
        "wav",
        lambda path: live(path, kernels_named("compiled"), bands=True),
    ),
}


def peak_mb() -> float:
    """Most memory that this process has held so far; NaN where the system does not tell."""
    try:
        import resource  # noqa: PLC0415 - not everywhere
    except ImportError:
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 2**20 if sys.platform == "darwin" else peak / 2**10


def measure(way: str, folder: Path) -> None:
    """Go one way in this process and print the time and the memory it takes."""
    ending, work = WAYS[way]
    keep_freed_memory()  # as the product does
    work(folder / f"short.{ending}")  # loads and compiles whatever is needed
    begun = time.process_time()
    work(folder / f"sound.{ending}")
    sys.stdout.write(json.dumps([time.process_time() - begun, peak_mb()]))


def measured(way: str, folder: Path) -> tuple[float, float] | None:
    """Go one way in a process of its own; None where it cannot be gone."""
    one_core = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    run = subprocess.run(
        [sys.executable, __file__, "--way", way, "--folder", str(folder)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **one_core},
    )
    if run.returncode:
        return None
    seconds, megabytes = json.loads(run.stdout)
    return seconds, megabytes


def write_recordings(folder: Path, seconds: float) -> None:
    """Write pink noise at -40 dB re full scale, long and short, as float WAV and 24-bit FLAC."""
    rng = np.random.default_rng(1)
    coefficients = (
        [0.049922035, -0.095993537, 0.050612699, -0.004408786],
        [1.0, -2.494956002, 2.017265875, -0.522189400],
    )
    for name, length_s in (("sound", seconds), ("short", 2.0)):
        memory, left, factor = np.zeros(3), round(length_s * RATE_HZ), 0.0
        with (
            soundfile.SoundFile(folder / f"{name}.wav", "w", RATE_HZ, 1, "FLOAT") as wav,
            soundfile.SoundFile(folder / f"{name}.flac", "w", RATE_HZ, 1, "PCM_24") as flac,
        ):
            # In pieces: a process counts the memory of the one that started it for its own.
            while left > 0:
                white = rng.normal(size=min(BLOCK, left))
                pink, memory = lfilter(*coefficients, white, zi=memory)
                factor = factor or 0.01 / pink.std()
                wav.write(factor * pink)
                flac.write(factor * pink)
                left -= len(white)


def main() -> None:
    """Print a table of all ways, or go one of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=300.0, help="length of the sound")
    parser.add_argument("--rounds", type=int, default=3, help="how often each way is gone")
    parser.add_argument("--way", help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.way:
        measure(asked.way, asked.folder)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_recordings(folder, asked.seconds)
        rounds = [{way: measured(way, folder) for way in WAYS} for _ in range(asked.rounds)]
    best = {
        way: min(found) if (found := [r[way] for r in rounds if r[way] is not None]) else None
        for way in WAYS
    }
    sys.stdout.write(f"{'':28} x real time   x decoding   x plain SciPy   peak MB\n")
    plain_s = best["WAV, plain SciPy"]
    for way, result in best.items():
        if result is None:
            sys.stdout.write(f"{way:28} cannot be run here\n")
            continue
        decoding = best[f"{WAYS[way][0].upper()}, decoding alone"]
        times_decoding = result[0] / decoding[0] if decoding else float("nan")
        times_plain = plain_s[0] / result[0] if plain_s else float("nan")
        sys.stdout.write(
            f"{way:28} {asked.seconds / result[0]:11.0f} {times_decoding:12.2f} "
            f"{times_plain:15.1f} {result[1]:9.0f}\n"
        )


if __name__ == "__main__":
    main()
