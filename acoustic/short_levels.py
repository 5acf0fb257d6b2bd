"""Levels of consecutive 100 ms: what the analyser delivers and everything later is made of."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from acoustic.decibels import level_db
from acoustic.errors import InputError
from acoustic.signals import Samples

__all__ = ["MILLISECONDS_PER_ROW", "ROW_S", "ShortLevels", "join_short_levels", "no_short_levels"]

MILLISECONDS_PER_ROW = 100
"""Length of a row in milliseconds."""

ROW_S = 0.1
"""Length of a row in seconds."""


@dataclass(frozen=True, slots=True, eq=False)
class ShortLevels:
    """Levels of consecutive intervals of 100 ms; `n` rows for each channel.

    Mean squares are kept rather than levels, as they add and average.
    """

    first_row: int
    """Number of the first row, counted from the start of the measurement."""
    A_mean_square_pa2: Samples
    """Mean A-weighted square in Pa^2, shape ``(n, channels)``."""
    C_mean_square_pa2: Samples
    """Mean C-weighted square in Pa^2, shape ``(n, channels)``."""
    Z_mean_square_pa2: Samples
    """Mean unweighted square in Pa^2, without a constant offset; shape ``(n, channels)``."""
    C_peak_pa: Samples
    """Largest magnitude of the C-weighted pressure in Pa, shape ``(n, channels)``."""
    LAF_db: Samples
    """LAF at the end of each row in dB, shape ``(n, channels)``."""
    LAFmax_db: Samples
    """Largest LAF within each row in dB, shape ``(n, channels)``."""
    LAFmin_db: Samples
    """Smallest LAF within each row in dB, shape ``(n, channels)``; low while F still rises."""
    LASmax_db: Samples
    """Largest LAS within each row in dB, shape ``(n, channels)``."""
    LASmin_db: Samples
    """Smallest LAS within each row in dB, shape ``(n, channels)``; low while S still rises."""
    band_mean_square_pa2: Samples
    """Mean square in each one-third octave in Pa^2, shape ``(n, channels, bands)``; no bands when
    the measurement goes without."""
    nominal_hz: tuple[float, ...]
    """Nominal mid-band frequencies of the bands in hertz; empty without bands."""

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.A_mean_square_pa2)

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.A_mean_square_pa2.shape[1])

    @property
    def start_s(self) -> Samples:
        """Start of each row in seconds from the start of the measurement, shape ``(n,)``."""
        return ROW_S * np.arange(self.first_row, self.first_row + len(self), dtype=np.float64)

    @property
    def LAeq_db(self) -> Samples:
        """A-weighted equivalent level in dB, shape ``(n, channels)``."""
        return level_db(self.A_mean_square_pa2)

    @property
    def LCeq_db(self) -> Samples:
        """C-weighted equivalent level in dB, shape ``(n, channels)``."""
        return level_db(self.C_mean_square_pa2)

    @property
    def LZeq_db(self) -> Samples:
        """Unweighted equivalent level in dB, shape ``(n, channels)``."""
        return level_db(self.Z_mean_square_pa2)

    @property
    def LCpeak_db(self) -> Samples:
        """C-weighted peak level in dB, shape ``(n, channels)``."""
        return level_db(np.square(self.C_peak_pa))

    @property
    def band_level_db(self) -> Samples:
        """One-third octave levels in dB, unweighted, shape ``(n, channels, bands)``."""
        return level_db(self.band_mean_square_pa2)

    def rows(self, first: int, last: int) -> "ShortLevels":
        """Take some of the rows.

        Parameters
        ----------
        first, last : int
            Rows from `first` up to, not including, `last`, counted from the first row held.

        Returns
        -------
        ShortLevels
            These rows, at most those held.
        """
        first = min(first, len(self))
        arrays = {name: getattr(self, name)[first:last] for name in _ARRAYS}
        return replace(self, first_row=self.first_row + first, **arrays)


_ARRAYS = [
    field.name for field in fields(ShortLevels) if field.name not in {"first_row", "nominal_hz"}
]


def no_short_levels(channels: int) -> ShortLevels:
    """Levels of a measurement that has only begun.

    Parameters
    ----------
    channels : int
        Number of channels.

    Returns
    -------
    ShortLevels
        No rows, no bands.
    """
    nothing = np.zeros((0, channels))
    arrays: dict[str, Any] = dict.fromkeys(_ARRAYS, nothing)
    arrays["band_mean_square_pa2"] = nothing[:, :, None][:, :, :0]
    return ShortLevels(first_row=0, nominal_hz=(), **arrays)


def join_short_levels(parts: Sequence[ShortLevels]) -> ShortLevels:
    """Put consecutive rows of one measurement together.

    Parameters
    ----------
    parts : sequence of ShortLevels
        Rows in the order in which they were delivered, at least one part.

    Returns
    -------
    ShortLevels
        All rows.

    Raises
    ------
    InputError
        If there is no part, or channels, bands or row numbers do not continue one another.
    """
    if not parts:
        raise InputError("There are no levels to put together; measure first.")
    row = parts[0].first_row
    for part in parts:
        if (
            part.first_row != row
            or part.channels != parts[0].channels
            or part.nominal_hz != parts[0].nominal_hz
        ):
            raise InputError(
                f"The levels from row {part.first_row} do not continue those before row {row}; "
                "put together only consecutive levels of one measurement."
            )
        row += len(part)
    arrays: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in _ARRAYS
    }
    return replace(parts[0], **arrays)
