"""What a measuring chain adds to the uncertainty of every level, absolute and between coolers.

Levels taken through the same chain at the same place share the calibrator's error and the
microphone's response, so these cancel when two coolers of like spectrum are compared; drift and the
placing of the cooler do not.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

__all__ = ["ChainUncertainty", "chain_uncertainty"]

_RESPONSE_U_DB: Final = 0.3
"""Standard uncertainty of a measurement microphone's response and field, without a correction."""
_PLACE_U_DB: Final = 0.1
"""Standard uncertainty from placing cooler and microphone again at the same bench."""
_UNKNOWN_DRIFT_DB: Final = 0.2
"""Bound of the drift where it was not measured: the alarm level of a chain in order."""


@dataclass(frozen=True, slots=True)
class ChainUncertainty:
    """Half-widths of 95 % intervals that the chain adds, in dB."""

    U95_absolute_db: float
    """Of a level against the true sound pressure level."""
    U95_comparative_db: float
    """Of a difference between two coolers of the same series."""


def chain_uncertainty(calibration_U95_db: float, drift_db: float | None) -> ChainUncertainty:
    """Combine what the chain contributes.

    Parameters
    ----------
    calibration_U95_db : float
        Half-width of the 95 % interval of the calibration, in dB.
    drift_db : float or None
        Calibration after against before, in dB; None when it was not repeated.

    Returns
    -------
    ChainUncertainty
        Root sum of squares, k = 2 (ISO/IEC Guide 98-3).

    Examples
    --------
    >>> chain = chain_uncertainty(0.3, 0.05)
    >>> round(chain.U95_absolute_db, 2), round(chain.U95_comparative_db, 2)
    (0.7, 0.29)
    """
    drift_u_db = (_UNKNOWN_DRIFT_DB if drift_db is None else abs(drift_db)) / np.sqrt(3.0)
    own = [drift_u_db, _PLACE_U_DB]
    shared = [calibration_U95_db / 2.0, _RESPONSE_U_DB]
    return ChainUncertainty(
        U95_absolute_db=2.0 * float(np.linalg.norm([*shared, *own])),
        # A difference holds each cooler's own part twice, independently.
        U95_comparative_db=2.0 * float(np.sqrt(2.0) * np.linalg.norm(own)),
    )
