"""Listening to a room with everything stopped, and judging its floor."""

from collections import deque
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.analyser import analyse, finish, start
from acoustic.band_frequencies import audible_bands
from acoustic.budget import Budget, Component
from acoustic.decibels import level_db
from acoustic.frequency_weighting import a_weighting_db
from acoustic.loudness_bands import LOUDNESS_BANDS
from acoustic.microphone_response import MicrophoneResponse
from acoustic.short_levels import ROW_S, ShortLevels, join_short_levels
from acoustic.signals import PressureSignal, Samples
from calibration.chain import microphone_budget
from calibration.results import FloorReading
from calibration.room_floor import RoomFloor, judge_floor
from service.documents.bands import ThirdOctaves
from service.documents.budget import rows_of
from service.documents.calibration import CalibrationDocument
from service.documents.floor import FloorDocument
from service.errors import CaptureError, SoundEnded
from service.jobs.discrete_tones import tones_in
from service.jobs.listening import CalibratedSound
from service.ports import SoundSource

__all__ = ["check_floor", "floor_reading"]

_KEPT_S: Final = 60.0
"""How much of the sound is kept to look for tones in it."""
_FEWEST_S: Final = 6.0
"""A recording that ends early is judged if at least this much was heard."""


def check_floor(
    source: SoundSource,
    calibration: CalibrationDocument,
    *,
    seconds: float,
    time: datetime,
    response: MicrophoneResponse | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> FloorDocument:
    """Listen to a room with everything stopped and state its floor.

    Parameters
    ----------
    source : SoundSource
        The input.
    calibration : CalibrationDocument
        Its calibration.
    seconds : float
        How long to listen.
    time : datetime
        What time it is.
    response : MicrophoneResponse, optional
        Response of the microphone, to be taken out of the sound.
    progress : callable, optional
        Told the seconds heard so far.

    Returns
    -------
    FloorDocument
        The floor.

    Raises
    ------
    CaptureError
        If the source fails, ends too early, or too little of it is undisturbed.
    DocumentError
        If the calibration is not one for this source.
    """
    sound = CalibratedSound(source, calibration, response)
    rows, valid, kept = _listen(sound, seconds, progress)
    levels_db = level_db(rows.A_mean_square_pa2.mean(axis=1))
    valid = valid[: levels_db.size]
    floor = judge_floor(levels_db, valid)
    if floor is None:
        raise CaptureError(
            f"Less than 5 s of {levels_db.size * ROW_S:.0f} s from {source.name} were "
            "undisturbed; wait for a quieter time or listen longer."
        )
    recent = floor.usable[-len(kept) :]
    undisturbed = [piece for piece, good in zip(kept, recent, strict=True) if good]
    tones = (
        tones_in(PressureSignal(np.concatenate(undisturbed), sound.rate_hz)) if undisturbed else []
    )
    own = _budget(floor)
    microphone = microphone_budget(calibration.U95_db or 0.0, None)
    return FloorDocument(
        LAeq_db=round(floor.LAeq_db, 3),
        LA90_db=round(floor.LA90_db, 3),
        U95_db=round(own.U95_db, 3),
        U95_absolute_db=round(own.with_more(microphone).U95_db, 3),
        budget=rows_of(own),
        chain_budget=rows_of(microphone),
        third_octaves=_third_octaves(rows, floor.usable, sound.rate_hz),
        tones=tones,
        listened_s=round(floor.listened_s, 1),
        rejected_s=round(floor.rejected_s, 1),
        fit_for_target_db=round(floor.fit_for_target_db, 2),
        comfortable_target_db=round(floor.comfortable_target_db, 2),
        warnings=list(floor.warnings),
        time=time,
        calibration_time=calibration.time,
        input=source.name,
    )


def floor_reading(document: FloorDocument) -> FloorReading:
    """Return what a match takes from a floor.

    Parameters
    ----------
    document : FloorDocument
        The floor.

    Returns
    -------
    FloorReading
        Level and interval, with the one-third octaves that loudness takes where all are there.
    """
    octaves = document.third_octaves
    by_nominal = dict(zip(octaves.nominal_hz, octaves.LZeq_db, strict=True))
    levels = [by_nominal.get(float(nominal), np.nan) for nominal in LOUDNESS_BANDS.nominal_hz]
    bands_db = tuple(-np.inf if level is None else level for level in levels)
    known = not np.isnan(bands_db).any()
    return FloorReading(document.LAeq_db, document.U95_db, bands_db if known else None)


def _listen(
    sound: CalibratedSound, seconds: float, progress: Callable[[float], None]
) -> tuple[ShortLevels, npt.NDArray[np.bool_], Sequence[Samples]]:
    """Take the sound: its levels, which of them count, and the latest of it."""
    state = start(sound.rate_hz, sound.channels)
    kept: deque[Samples] = deque(maxlen=round(_KEPT_S / ROW_S))
    parts: list[ShortLevels] = []
    valid: list[bool] = []
    for number in range(1, round(seconds / ROW_S) + 1):
        try:
            pressure, good = sound.next_interval()
        except SoundEnded:
            if number * ROW_S < _FEWEST_S:
                raise
            break
        state, part = analyse(state, pressure)
        parts.append(part)
        valid.append(good)
        kept.append(pressure.samples)
        progress(number * ROW_S)
    parts.append(finish(state))
    rows = join_short_levels([part for part in parts if len(part)])
    return rows, np.array(valid, dtype=np.bool_), kept


def _budget(floor: RoomFloor) -> Budget:
    """What makes the floor uncertain, calibration apart.

    The standard error allows for not knowing how much the room wanders, so that its 95 % interval
    is that of a normal distribution; Student's t would allow for it a second time.
    """
    return Budget((Component("listening", floor.U95_db / 1.96),))


def _third_octaves(rows: ShortLevels, usable: npt.NDArray[np.bool_], rate_hz: int) -> ThirdOctaves:
    """Band levels of the undisturbed part, averaged over channels as energy."""
    levels = level_db(rows.band_mean_square_pa2[usable].mean(axis=(0, 1)))
    weighted = levels + a_weighting_db(audible_bands(rate_hz, 3).exact_hz)
    return ThirdOctaves(
        nominal_hz=list(rows.nominal_hz), LZeq_db=_finite(levels), LAeq_db=_finite(weighted)
    )


def _finite(levels_db: Samples) -> list[float | None]:
    """Levels rounded for a document; None for exact silence."""
    return [round(float(level), 3) if np.isfinite(level) else None for level in levels_db]
