"""What a measuring chain adds to the uncertainty of every level, absolute and between coolers.

Levels taken through the same chain at the same place share the calibrator's error and the
microphone's response, so these cancel when two coolers of like spectrum are compared; drift and the
placing of the cooler do not.
"""

from dataclasses import dataclass
from typing import Final

from acoustic.budget import CONVENTIONAL_COVERAGE, Budget, Component, difference

__all__ = ["ChainUncertainty", "chain_budget", "chain_uncertainty", "microphone_budget"]

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


def microphone_budget(calibration_U95_db: float, drift_db: float | None) -> Budget:
    """List what the microphone adds to the uncertainty of a level taken where it stands.

    Parameters
    ----------
    calibration_U95_db : float
        Half-width of the 95 % interval of the calibration, in dB.
    drift_db : float or None
        Calibration after against before, in dB; None when it was not repeated.

    Returns
    -------
    Budget
        Calibration and response, which every level of the chain shares, and drift, which each has
        of its own.

    Raises
    ------
    InputError
        If the calibration's interval is negative or a number is not finite.
    """
    drift_bound_db = _UNKNOWN_DRIFT_DB if drift_db is None else abs(drift_db)
    return Budget(
        (
            Component.from_half_width("calibration", calibration_U95_db, "normal", correlation=1.0),
            Component("response and field", _RESPONSE_U_DB, correlation=1.0),
            Component.from_half_width("drift", drift_bound_db, "rectangular"),
        )
    )


def chain_budget(calibration_U95_db: float, drift_db: float | None) -> Budget:
    """List what the chain adds to the uncertainty of a cooler's level.

    Parameters
    ----------
    calibration_U95_db : float
        Half-width of the 95 % interval of the calibration, in dB.
    drift_db : float or None
        Calibration after against before, in dB; None when it was not repeated.

    Returns
    -------
    Budget
        What the microphone adds, and placing, which each cooler has of its own.

    Raises
    ------
    InputError
        If the calibration's interval is negative or a number is not finite.
    """
    microphone = microphone_budget(calibration_U95_db, drift_db)
    return Budget((*microphone.components, Component("placing", _PLACE_U_DB)))


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

    Raises
    ------
    InputError
        If the calibration's interval is negative or a number is not finite.

    Examples
    --------
    >>> chain = chain_uncertainty(0.3, 0.05)
    >>> round(chain.U95_absolute_db, 2), round(chain.U95_comparative_db, 2)
    (0.7, 0.29)
    """
    one = chain_budget(calibration_U95_db, drift_db)
    return ChainUncertainty(
        U95_absolute_db=one.expanded_db(CONVENTIONAL_COVERAGE),
        U95_comparative_db=difference(one, one).expanded_db(CONVENTIONAL_COVERAGE),
    )
