"""Recording a reference tone and judging it."""

from collections.abc import Callable
from datetime import datetime
from typing import Final

import numpy as np

from acoustic.signals import DigitalSignal, Samples
from acoustic.soundness import find_clipping
from calibration.reference_tone import ReferenceTone, judge_reference_tone
from service.documents.calibration import CalibrationDocument
from service.errors import DocumentError, SoundEnded
from service.ports import SoundSource

__all__ = ["calibrate"]

_HANDLING_S: Final = 0.5
"""The first half second is left out: hands are still near and filters still settle."""
_PIECE_S: Final = 0.1
_FEWEST_S: Final = 2.0
"""A recording that ends early is judged if at least this much of the tone is there."""


def calibrate(
    source: SoundSource,
    reference: ReferenceTone,
    *,
    channel: int,
    seconds: float,
    time: datetime,
    previous: CalibrationDocument | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> CalibrationDocument:
    """Listen to a reference tone and calibrate one channel with it.

    Parameters
    ----------
    source : SoundSource
        The input, with the calibrator on its microphone.
    reference : ReferenceTone
        What the calibrator makes.
    channel : int
        Which channel it is on, counted from 1.
    seconds : float
        How long to listen, besides the first half second.
    time : datetime
        What time it is.
    previous : CalibrationDocument, optional
        The last accepted calibration of this input.
    progress : callable, optional
        Told the seconds heard so far.

    Returns
    -------
    CalibrationDocument
        Accepted or refused.

    Raises
    ------
    DocumentError
        If the source has no such channel.
    CaptureError
        If the source fails, or ends before 2 s were heard.
    SignalError
        If it is silent.
    """
    if not 1 <= channel <= source.channels:
        raise DocumentError(
            f"{source.name} has no channel {channel}; it has {source.channels}, counted from 1."
        )
    pieces, faults = _record(source, channel, seconds, progress)
    signal = DigitalSignal(np.concatenate(pieces), source.rate_hz)
    own = DigitalSignal(signal.samples[:, channel - 1 : channel], signal.rate_hz)
    if find_clipping(own):
        faults.append("the signal is clipped; lower the gain")
    verdict = judge_reference_tone(
        own,
        0,
        reference,
        faults=tuple(_as_sentence(fault) for fault in dict.fromkeys(faults)),
        previous_pascal_per_unit=None if previous is None else previous.pascal_per_unit,
    )
    return CalibrationDocument.of(
        verdict,
        time=time,
        rate_hz=source.rate_hz,
        source=source.name,
        channel=channel,
        reference_level_db=reference.level_db,
        reference_frequency_hz=reference.frequency_hz,
    )


def _record(
    source: SoundSource, channel: int, seconds: float, progress: Callable[[float], None]
) -> tuple[list[Samples], list[str]]:
    """Take the tone, piece by piece, with what the capture says against it."""
    source.read(round(_HANDLING_S * source.rate_hz))
    pieces: list[Samples] = []
    faults: list[str] = []
    for i in range(round(seconds / _PIECE_S)):
        try:
            block = source.read(round(_PIECE_S * source.rate_hz))
        except SoundEnded:
            if i * _PIECE_S < _FEWEST_S:
                raise
            break
        pieces.append(block.signal.samples)
        faults.extend(block.faults_of({channel - 1}))
        progress((i + 1) * _PIECE_S)
    return pieces, faults


def _as_sentence(text: str) -> str:
    """Return `text` with a capital letter and a full stop."""
    return text[:1].upper() + text[1:].rstrip(".") + "."
