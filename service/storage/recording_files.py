"""Recordings as 24-bit FLAC, each with a JSON sidecar that says what its numbers mean."""

import io
import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import soundfile

from acoustic.signals import DigitalSignal
from service.errors import StorageError
from service.storage.files import write_atomically

__all__ = ["write_recording"]

_STEPS = 2**23
_SPARE_BITS = 8  # a 24-bit value sits in the upper bits of the 32 that the library takes


def write_recording(path: Path, signal: DigitalSignal, sidecar: Mapping[str, object]) -> None:
    """Write a recording and its sidecar, each whole or not at all.

    The sidecar stands beside the recording under the same name with the ending ``.json``. It is
    written first: a recording that is there always has one.

    Parameters
    ----------
    path : Path
        Where the recording shall stand, with the ending ``.flac``.
    signal : DigitalSignal
        The samples; a value of exactly 1.0 becomes the highest that 24 bits can hold.
    sidecar : mapping
        What is known about the recording, as JSON values.

    Raises
    ------
    StorageError
        If a file cannot be written, or a sample lies beyond full scale.
    """
    loudest = float(np.abs(signal.samples).max(initial=0.0))
    if loudest > 1.0:
        raise StorageError(
            f"The recording for {path} reaches {loudest:.3g} times full scale, which FLAC cannot "
            "hold; lower the gain of the input."
        )
    # As whole numbers: the library would scale floating-point samples by one step less.
    steps = np.clip(np.rint(signal.samples * _STEPS), -_STEPS, _STEPS - 1).astype(np.int32)
    encoded = io.BytesIO()
    try:
        soundfile.write(
            encoded,
            steps << _SPARE_BITS,
            round(signal.rate_hz),
            format="FLAC",
            subtype="PCM_24",
            compression_level=1.0,
        )
    except (soundfile.SoundFileError, ValueError) as error:
        raise StorageError(
            f"The recording for {path} cannot be encoded as FLAC ({error})."
        ) from error
    text = json.dumps(sidecar, indent=2, ensure_ascii=False) + "\n"
    write_atomically(path.with_suffix(".json"), text.encode())
    write_atomically(path, encoded.getvalue())
