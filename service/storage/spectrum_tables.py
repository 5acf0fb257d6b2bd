"""Spectra as tables."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.signals import Samples
from acoustic.spectrum import Spectrum

__all__ = ["BandColumn", "band_table", "line_table"]

_LOWEST_HZ: Final = 0.5
"""The first line is no frequency."""


@dataclass(frozen=True, slots=True, eq=False)
class BandColumn:
    """A column of a table of bands."""

    name: str
    """Its name, with the unit."""
    values: Sequence[float | None]
    """A value for each band; None leaves the cell empty."""


def line_table(names: Sequence[str], spectra: Sequence[Spectrum], weighting_db: Samples) -> str:
    """Write every line of some spectra.

    Parameters
    ----------
    names : sequence of str
        Name of each column, with the unit.
    spectra : sequence of Spectrum
        Spectra of one channel with the same lines.
    weighting_db : ndarray of shape (lines,)
        What is added to each line, in dB.

    Returns
    -------
    str
        CSV: ``frequency_hz`` and the level that a tone on the line would have. Silence is an empty
        cell.
    """
    levels = [each.power_level_db[:, 0] + weighting_db for each in spectra]
    rows = [",".join(["frequency_hz", *names])]
    for place, hz in enumerate(spectra[0].frequency_hz.tolist()):
        if hz >= _LOWEST_HZ:
            cells = [f"{level[place]:.2f}" if np.isfinite(level[place]) else "" for level in levels]
            rows.append(",".join([f"{hz:.6g}", *cells]))
    return "\n".join(rows) + "\n"


def band_table(frequency_hz: Sequence[float], columns: Sequence[BandColumn]) -> str:
    """Write levels in bands.

    Parameters
    ----------
    frequency_hz : sequence of float
        Mid-band frequencies in hertz.
    columns : sequence of BandColumn
        What stands beside them.

    Returns
    -------
    str
        CSV with a line a band.
    """
    rows = [",".join(["frequency_hz", *(column.name for column in columns)])]
    for place, hz in enumerate(frequency_hz):
        cells = [
            "" if (value := column.values[place]) is None else f"{value:.2f}" for column in columns
        ]
        rows.append(",".join([f"{hz:.6g}", *cells]))
    return "\n".join(rows) + "\n"
