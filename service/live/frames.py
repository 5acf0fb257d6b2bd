"""The live frame: everything that is shown of a tenth of a second."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from acoustic.band_frequencies import bands_within
from acoustic.signals import Samples
from service.live.bench_view import BenchView

__all__ = ["SPECTRUM_HZ", "THIRD_OCTAVES_HZ", "LiveFrame", "LiveJob"]

THIRD_OCTAVES_HZ: Final = bands_within(20.0, 20_000.0, 3).nominal_hz
"""Nominal mid-band frequencies of the 31 one-third octaves of a frame, in hertz."""

SPECTRUM_HZ: Final = np.geomspace(20.0, 20_000.0, 400)
"""Frequencies of the points of a spectrum, in hertz; each stands for what is nearest to it."""
SPECTRUM_HZ.setflags(write=False)


@dataclass(frozen=True, slots=True)
class LiveJob:
    """The measurement that is under way, as a live view names it."""

    id: str
    """Its id in the queue."""
    kind: str
    """What it is, such as ``match``."""
    state: str
    """Its state, such as ``running``."""
    cooler: str | None
    """What is mounted for it; None where it is about no cooler."""
    words: str
    """Its last remark, or what a person is to do."""
    share: float | None
    """How much of it is done, 0 to 1; None where nobody can say."""


@dataclass(frozen=True, slots=True, eq=False)
class LiveFrame:
    """What was heard in 100 ms, and what the lab did meanwhile.

    All levels are dB re 20 uPa where `calibrated`, otherwise dB re full scale, of which a root
    mean square of 1.0 is 0. Several channels are averaged as energy.
    """

    number: int
    """Counts the tenths of a second heard since the start; a gap means sound that is not shown."""
    time: datetime
    """When it was heard."""
    calibrated: bool
    """Whether levels are sound pressure levels; otherwise they must not be called dB(A)."""
    valid: bool
    """Whether the sound may enter a level."""
    faults: tuple[str, ...]
    """Why not, in words; empty where it may."""
    LAF_db: float
    """Level with time weighting F at the end of these 100 ms, A-weighted."""
    LAeq_1s_db: float
    """A-weighted equivalent level of the last second."""
    LAeq_db: float
    """A-weighted equivalent level since the last reset, what is not valid left out."""
    LAeq_s: float
    """How many seconds that is made of."""
    third_octaves_db: Samples
    """Unweighted level in each one-third octave of `THIRD_OCTAVES_HZ`, shape ``(31,)``; NaN where
    the sampling rate does not reach. Up to 0.1 s behind."""
    spectrum_db: Samples | None
    """In every fifth frame the spectrum of the last half second, levels in narrow bands around
    `SPECTRUM_HZ`, shape ``(400,)``, NaN where the rate does not reach; None in the others."""
    floor_db: float | None
    """LAeq of the last floor check that was fit to use; None where there is none, and always in
    an uncalibrated frame."""
    target_db: float | None
    """Level to reach: of the match under way, otherwise the configured one; None uncalibrated."""
    bench: BenchView | None
    """The bench; None where none is configured."""
    job: LiveJob | None
    """The measurement under way; None where there is none."""
