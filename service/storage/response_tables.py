"""Tables of microphone responses: plain text, two or three columns."""

import re
from pathlib import Path
from typing import Final

import numpy as np

from acoustic.errors import InputError
from acoustic.microphone_response import MicrophoneResponse, microphone_response
from service.errors import DocumentError
from service.storage.document_files import read_document_text

__all__ = ["read_response"]

_REMARK: Final = re.compile(r"\s*([#*;\"].*)?$")
"""A line that holds no numbers."""
_BETWEEN: Final = re.compile(r"[\s,;]+")
"""What may stand between columns."""


def read_response(path: Path, *, calibrated_at_hz: float) -> MicrophoneResponse:
    """Read a microphone's response.

    Parameters
    ----------
    path : Path
        Text with frequency in hertz, response in dB and perhaps phase in degrees on each line,
        between blanks, commas or semicolons; lines that begin with ``#``, ``*``, ``;`` or a quote
        are remarks.
    calibrated_at_hz : float
        Frequency of the reference tone that the microphone was calibrated with.

    Returns
    -------
    MicrophoneResponse
        The response, 0 dB at `calibrated_at_hz`.

    Raises
    ------
    DocumentError
        If it cannot be read, holds something else, or covers too little.
    """
    rows = []
    for number, line in enumerate(read_document_text(path, "microphone table").splitlines(), 1):
        if _REMARK.match(line):
            continue
        try:
            rows.append([float(word) for word in _BETWEEN.split(line.strip())])
        except ValueError as error:
            raise DocumentError(
                f"Line {number} of the microphone table {path} is not two or three numbers: "
                f"{line.strip()[:60]!r}."
            ) from error
        if len(rows[-1]) != len(rows[0]):
            raise DocumentError(
                f"Line {number} of the microphone table {path} has {len(rows[-1])} columns, those "
                f"before have {len(rows[0])}."
            )
    table = np.array(rows, dtype=np.float64) if rows else np.zeros((0, 2))
    try:
        return microphone_response(table, calibrated_at_hz=calibrated_at_hz)
    except InputError as error:
        raise DocumentError(f"{path}: {error}") from error
