"""Numbers typed from standards, each with its edition and table; data only.

Nothing that designs a filter or computes a level reads this module: it judges them. The values
come from open transcriptions of the standards, so check the printed text before you claim
conformity.
"""

from math import inf
from typing import NamedTuple

__all__ = [
    "BACKGROUND_CORRECTIONS_DB",
    "CALIBRATOR_LIMITS",
    "FREQUENCY_WEIGHTINGS",
    "LOUDNESS_ANCHORS_SONE",
    "LOUDNESS_SIGNAL_1_DB",
    "OCTAVE_BAND_MASK",
    "OCTAVE_RATIO",
    "PROMINENCE_RATIO_CRITERIA_DB",
    "THIRD_OCTAVE_BREAKPOINTS",
    "TONEBURST_RESPONSES",
    "TONE_TO_NOISE_CRITERIA_DB",
    "CalibratorLimits",
    "Limits",
    "MaskPoint",
    "ToneburstResponse",
    "WeightingGoal",
]


class Limits(NamedTuple):
    """Acceptance limits of a deviation, in decibels."""

    lower_db: float
    """Lowest deviation accepted; ``-inf`` where there is no lower limit."""
    upper_db: float
    """Highest deviation accepted; ``inf`` where there is no upper limit."""


class WeightingGoal(NamedTuple):
    """Design goals and acceptance limits of the frequency weightings at one frequency."""

    nominal_hz: float
    """Nominal frequency; the goal holds at the exact one, ``1000 * 10**(x / 10)``."""
    A_db: float
    """A-weighting, rounded to 0.1 dB."""
    C_db: float
    """C-weighting, rounded to 0.1 dB."""
    class_1: Limits
    """Limits of a class 1 meter."""
    class_2: Limits
    """Limits of a class 2 meter."""


FREQUENCY_WEIGHTINGS = (
    WeightingGoal(10, -70.4, -14.3, Limits(-inf, 3), Limits(-inf, 5)),
    WeightingGoal(12.5, -63.4, -11.2, Limits(-inf, 2.5), Limits(-inf, 5)),
    WeightingGoal(16, -56.7, -8.5, Limits(-4, 2), Limits(-inf, 5)),
    WeightingGoal(20, -50.5, -6.2, Limits(-2, 2), Limits(-3, 3)),
    WeightingGoal(25, -44.7, -4.4, Limits(-1.5, 2), Limits(-3, 3)),
    WeightingGoal(31.5, -39.4, -3.0, Limits(-1.5, 1.5), Limits(-3, 3)),
    WeightingGoal(40, -34.6, -2.0, Limits(-1, 1), Limits(-2, 2)),
    WeightingGoal(50, -30.2, -1.3, Limits(-1, 1), Limits(-2, 2)),
    WeightingGoal(63, -26.2, -0.8, Limits(-1, 1), Limits(-2, 2)),
    WeightingGoal(80, -22.5, -0.5, Limits(-1, 1), Limits(-2, 2)),
    WeightingGoal(100, -19.1, -0.3, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(125, -16.1, -0.2, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(160, -13.4, -0.1, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(200, -10.9, 0, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(250, -8.6, 0, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(315, -6.6, 0, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(400, -4.8, 0, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(500, -3.2, 0, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(630, -1.9, 0, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(800, -0.8, 0, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(1000, 0, 0, Limits(-0.7, 0.7), Limits(-1, 1)),
    WeightingGoal(1250, 0.6, 0, Limits(-1, 1), Limits(-1.5, 1.5)),
    WeightingGoal(1600, 1.0, -0.1, Limits(-1, 1), Limits(-2, 2)),
    WeightingGoal(2000, 1.2, -0.2, Limits(-1, 1), Limits(-2, 2)),
    WeightingGoal(2500, 1.3, -0.3, Limits(-1, 1), Limits(-2.5, 2.5)),
    WeightingGoal(3150, 1.2, -0.5, Limits(-1, 1), Limits(-2.5, 2.5)),
    WeightingGoal(4000, 1.0, -0.8, Limits(-1, 1), Limits(-3, 3)),
    WeightingGoal(5000, 0.5, -1.3, Limits(-1.5, 1.5), Limits(-3.5, 3.5)),
    WeightingGoal(6300, -0.1, -2.0, Limits(-2, 1.5), Limits(-4.5, 4.5)),
    WeightingGoal(8000, -1.1, -3.0, Limits(-2.5, 1.5), Limits(-5, 5)),
    WeightingGoal(10000, -2.5, -4.4, Limits(-3, 2), Limits(-inf, 5)),
    WeightingGoal(12500, -4.3, -6.2, Limits(-5, 2), Limits(-inf, 5)),
    WeightingGoal(16000, -6.6, -8.5, Limits(-16, 2.5), Limits(-inf, 5)),
    WeightingGoal(20000, -9.3, -11.2, Limits(-inf, 3), Limits(-inf, 5)),
)
"""Frequency weightings A and C with their limits (IEC 61672-1:2013). Z is 0 dB throughout."""


class ToneburstResponse(NamedTuple):
    """Reference response to a single 4 kHz toneburst, re the level of the steady tone."""

    duration_ms: float
    """Length of the burst in milliseconds."""
    F_db: float
    """Maximum level with time weighting F."""
    S_db: float | None
    """Maximum level with time weighting S; None where the table has none."""
    E_db: float
    """Sound exposure level."""
    class_1: Limits
    """Class 1 limits for F and the exposure level."""
    class_2: Limits
    """Class 2 limits for F and the exposure level."""
    S_class_1: Limits | None
    """Class 1 limits for S; None where the table has none."""


TONEBURST_RESPONSES = (
    ToneburstResponse(1000, 0.0, -2.0, 0, Limits(-0.5, 0.5), Limits(-1, 1), Limits(-0.5, 0.5)),
    ToneburstResponse(500, -0.1, -4.1, -3, Limits(-0.5, 0.5), Limits(-1, 1), Limits(-0.5, 0.5)),
    ToneburstResponse(200, -1.0, -7.4, -7, Limits(-0.5, 0.5), Limits(-1, 1), Limits(-0.5, 0.5)),
    ToneburstResponse(100, -2.6, -10.2, -10, Limits(-1, 1), Limits(-1, 1), Limits(-1, 1)),
    ToneburstResponse(50, -4.8, -13.1, -13, Limits(-1, 1), Limits(-1.5, 1), Limits(-1, 1)),
    ToneburstResponse(20, -8.3, -17.0, -17, Limits(-1, 1), Limits(-2, 1), Limits(-1.5, 1)),
    ToneburstResponse(10, -11.1, -20.0, -20, Limits(-1, 1), Limits(-2, 1), Limits(-2, 1)),
    ToneburstResponse(5, -14.1, -23.0, -23, Limits(-1, 1), Limits(-2.5, 1), Limits(-2.5, 1)),
    ToneburstResponse(2, -18.0, -27.0, -27, Limits(-1.5, 1), Limits(-2.5, 1), Limits(-3, 1)),
    ToneburstResponse(1, -21.0, None, -30, Limits(-2, 1), Limits(-3, 1), None),
    ToneburstResponse(0.5, -24.0, None, -33, Limits(-2.5, 1), Limits(-4, 1), None),
    ToneburstResponse(0.25, -27.0, None, -36, Limits(-3, 1), Limits(-5, 1.5), None),
)
"""Toneburst responses, rounded to 0.1 dB for F and S, 1 dB for E (IEC 61672-1:2013, Table 4)."""


OCTAVE_RATIO = 10.0**0.3
"""G, the base-ten octave ratio (IEC 61260-1:2014)."""


class MaskPoint(NamedTuple):
    """Limits of an octave filter's relative attenuation at one breakpoint."""

    octaves: float
    """Exponent of G: distance from the mid-band frequency; the low side mirrors it."""
    class_1: Limits
    """Class 1: attenuation from ``lower_db`` to ``upper_db``."""
    class_2: Limits
    """Class 2: attenuation from ``lower_db`` to ``upper_db``."""


OCTAVE_BAND_MASK = (
    MaskPoint(0, Limits(-0.4, 0.4), Limits(-0.6, 0.6)),
    MaskPoint(1 / 8, Limits(-0.4, 0.5), Limits(-0.6, 0.7)),
    MaskPoint(1 / 4, Limits(-0.4, 0.7), Limits(-0.6, 0.9)),
    MaskPoint(3 / 8, Limits(-0.4, 1.4), Limits(-0.6, 1.7)),
    # The band edge stands twice: just inside, then just outside.
    MaskPoint(1 / 2, Limits(-0.4, 5.3), Limits(-0.6, 5.8)),
    # Transcriptions give 1.2 and 1.6 dB for class 1; the stricter is held.
    MaskPoint(1 / 2, Limits(1.6, inf), Limits(0.8, inf)),
    MaskPoint(1, Limits(16.6, inf), Limits(15.6, inf)),
    MaskPoint(2, Limits(40.5, inf), Limits(39.5, inf)),
    MaskPoint(3, Limits(60, inf), Limits(54, inf)),
    MaskPoint(4, Limits(70, inf), Limits(60, inf)),
)
"""Octave filter mask, linear in lg frequency between breakpoints, constant beyond the last."""


THIRD_OCTAVE_BREAKPOINTS = (
    1.0, 1.02667, 1.05575, 1.08746, 1.12202, 1.12202, 1.29437, 1.88173, 3.05365, 5.39195,
)  # fmt: skip
"""Normalised frequencies of the mask's breakpoints for one-third octaves (IEC 61260-1:2014)."""


class CalibratorLimits(NamedTuple):
    """What a sound calibrator of one class may deviate, 160 Hz to 1250 Hz."""

    level_db: float
    """Deviation of the generated level."""
    fluctuation_db: float
    """Short-term level fluctuation."""
    frequency_percent: float
    """Deviation of the frequency."""
    distortion_percent: float
    """Total distortion plus noise."""
    level_test_uncertainty_db: float
    """Largest uncertainty with which the level may be tested."""


CALIBRATOR_LIMITS = {
    "LS": CalibratorLimits(0.10, 0.03, 0.7, 2.0, 0.10),
    "1": CalibratorLimits(0.25, 0.07, 0.7, 2.5, 0.15),
    "2": CalibratorLimits(0.40, 0.15, 1.7, 3.0, 0.35),
}
"""Sound calibrators by class (IEC 60942:2017)."""


BACKGROUND_CORRECTIONS_DB = {3.0: 3.02, 6.0: 1.26, 10.0: 0.46, 15.0: 0.14}
"""Background correction K1 by level difference, both in dB (ISO 3744)."""


TONE_TO_NOISE_CRITERIA_DB = {100.0: 16.3, 250.0: 13.0, 1000.0: 8.0, 4000.0: 8.0}
"""Tone-to-noise ratio from which a tone is prominent, by frequency in Hz (ECMA-418-1)."""


PROMINENCE_RATIO_CRITERIA_DB = {100.0: 19.0, 250.0: 15.0, 1000.0: 9.0, 4000.0: 9.0}
"""Prominence ratio from which a tone is prominent, by frequency in Hz (ECMA-418-1)."""


LOUDNESS_ANCHORS_SONE = {
    "test signal 1, third-octave levels": 83.296,
    "1 kHz tone, 60 dB": 4.019,
}
"""Total loudness of the test signals in free field (ISO 532-1, Annex B); 5 % or 0.1 sone."""


LOUDNESS_SIGNAL_1_DB = (
    -60, -60, 78, 79, 89, 72, 80, 89, 75, 87, 85, 79, 86, 80,
    71, 70, 72, 71, 72, 74, 69, 65, 67, 77, 68, 58, 45, 30,
)  # fmt: skip
"""One-third octave levels of test signal 1 in dB, 25 Hz to 12.5 kHz (ISO 532-1, Annex B)."""
