"""From a reference tone to a calibrated microphone, or to the reasons for a refusal."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.budget import CONVENTIONAL_COVERAGE, Budget, Component
from acoustic.decibels import mean_square_pa2
from acoustic.signals import DigitalSignal
from acoustic.sine_fit import SineFit, fit_sine

__all__ = ["ReferenceTone", "ToneFindings", "ToneVerdict", "judge_reference_tone"]

_FREQUENCY_PERCENT: Final = 1.7
"""Widest error of frequency of a class 2 calibrator (IEC 60942:2017)."""
_STABILITY_DB: Final = 0.15
"""Widest short-term fluctuation of a class 2 calibrator (IEC 60942:2017); a loose coupling
fluctuates more."""
_DRIFT_DB: Final = 0.1
"""A level that moves further in one direction leaks or was still being seated."""
_DISTORTION_PERCENT: Final = 3.0
"""Largest total distortion of a class 2 calibrator (IEC 60942:2017)."""
_SIGNAL_TO_NOISE_DB: Final = 30.0
"""The coupler's background must lie this far below the tone, else it is part of the reading."""
_LOWEST_DBFS: Final = -75.0
"""A weaker tone leaves a 24-bit converter too little to work with."""
_HIGHEST_DBFS: Final = -3.5
"""A stronger sine touches full scale."""
_SHORTEST_S: Final = 2.0
"""Shortest tone that shows whether it is steady."""
_PLAUSIBLE_LEVEL_DB: Final = (60.0, 135.0)
"""Levels that sound calibrators and pistonphones make."""
_CALIBRATOR_HALF_WIDTH_DB: Final = 0.25
"""Class 1 limit of a calibrator's level (IEC 60942:2017), taken as a rectangular bound."""
_COUPLING_HALF_WIDTH_DB: Final = 0.1
"""How far a repeated, careful seating of the calibrator moves the reading."""
_MOVED_SINCE_DB: Final = 0.5
"""A sensitivity that moved further than this against its history asks for a second look."""


@dataclass(frozen=True, slots=True)
class ReferenceTone:
    """What the calibrator is said to make."""

    level_db: float
    """Sound pressure level in dB re 20 uPa."""
    frequency_hz: float
    """Frequency in hertz."""


@dataclass(frozen=True, slots=True)
class ToneFindings:
    """What was found in the recording of the tone."""

    frequency_hz: float
    """Frequency of the strongest tone, in hertz."""
    level_dbfs: float
    """Its level in dB re full scale, where a root mean square of 1.0 reads 0."""
    stability_db: float
    """Half the range of its level over 100 ms blocks, in dB."""
    distortion_percent: float
    """Harmonics relative to the tone, in per cent."""
    signal_to_noise_db: float
    """Level over everything else, in dB."""


@dataclass(frozen=True, slots=True)
class ToneVerdict:
    """The judgement of a reference tone."""

    reasons: tuple[str, ...]
    """Why it is refused; empty when it is accepted."""
    remarks: tuple[str, ...]
    """What is worth a second look although it is accepted."""
    tone: ToneFindings
    """What was found."""
    pascal_per_unit: float | None
    """Sound pressure in pascals of a sample of value 1.0; None when refused."""
    budget: Budget | None
    """What makes levels measured with it uncertain; None when refused."""

    @property
    def accepted(self) -> bool:
        """Whether the tone calibrates the microphone."""
        return not self.reasons

    @property
    def U95_db(self) -> float | None:
        """Half-width of the 95 % interval of those levels in dB, k = 2; None when refused."""
        return None if self.budget is None else self.budget.expanded_db(CONVENTIONAL_COVERAGE)


def judge_reference_tone(
    signal: DigitalSignal,
    channel: int,
    reference: ReferenceTone,
    *,
    faults: tuple[str, ...] = (),
    previous_pascal_per_unit: float | None = None,
) -> ToneVerdict:
    """Judge a recorded reference tone and calibrate with it.

    Parameters
    ----------
    signal : DigitalSignal
        The recording, at least 1 s; 2 s and more are accepted, 10 s are better.
    channel : int
        Which channel the calibrator was on, from 0.
    reference : ReferenceTone
        What the calibrator makes.
    faults : tuple of str, optional
        What the capture says against the recording; each is a reason for a refusal.
    previous_pascal_per_unit : float, optional
        Factor of the last accepted calibration of this input.

    Returns
    -------
    ToneVerdict
        Accepted with a factor, or refused with every reason.

    Raises
    ------
    SignalError
        If the signal is shorter than 1 s or silent.
    """
    fit = fit_sine(signal.samples[:, channel], signal.rate_hz)
    level_dbfs = float(20.0 * np.log10(fit.rms))
    findings = ToneFindings(
        frequency_hz=fit.frequency_hz,
        level_dbfs=level_dbfs,
        stability_db=float(0.5 * np.ptp(_smooth_levels_db(fit))),
        distortion_percent=fit.distortion_percent,
        signal_to_noise_db=fit.signal_to_noise_db,
    )
    reasons = [*faults, *_reasons(findings, fit, reference, signal.duration_s)]
    if reasons:
        return ToneVerdict(tuple(reasons), (), findings, None, None)
    pascal_per_unit = float(np.sqrt(mean_square_pa2(reference.level_db)) / fit.rms)
    return ToneVerdict(
        reasons=(),
        remarks=_remarks(pascal_per_unit, previous_pascal_per_unit),
        tone=findings,
        pascal_per_unit=pascal_per_unit,
        budget=_budget(findings),
    )


def _smooth_levels_db(fit: SineFit) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Levels of the blocks, averaged over three: about what time weighting F shows."""
    squares = np.convolve(fit.block_rms**2, np.full(3, 1.0 / 3.0), mode="valid")
    return np.asarray(10.0 * np.log10(squares), dtype=np.float64)


def _reasons(
    findings: ToneFindings, fit: SineFit, reference: ReferenceTone, duration_s: float
) -> list[str]:
    """Everything that speaks against the tone, in words."""
    reasons = []
    low_db, high_db = _PLAUSIBLE_LEVEL_DB
    if not low_db <= reference.level_db <= high_db:
        reasons.append(
            f"A calibrator makes {low_db:g} to {high_db:g} dB, not {reference.level_db:g} dB; "
            "check the level on its label."
        )
    if duration_s < _SHORTEST_S:
        reasons.append(f"The tone lasts {duration_s:.1f} s; record at least {_SHORTEST_S:g} s.")
    off_percent = 100.0 * abs(findings.frequency_hz / reference.frequency_hz - 1.0)
    if off_percent > _FREQUENCY_PERCENT:
        reasons.append(
            f"The strongest tone is at {findings.frequency_hz:.1f} Hz, not at "
            f"{reference.frequency_hz:g} Hz; check the calibrator's setting and battery, and "
            "that it is switched on."
        )
    if findings.level_dbfs < _LOWEST_DBFS:
        reasons.append(
            f"The tone reads {findings.level_dbfs:.1f} dB re full scale, which is too weak; "
            "raise the gain or check the microphone's power."
        )
    if findings.level_dbfs > _HIGHEST_DBFS:
        reasons.append(
            f"The tone reads {findings.level_dbfs:.1f} dB re full scale and touches it; "
            "lower the gain."
        )
    if findings.stability_db > _STABILITY_DB:
        reasons.append(
            f"The level fluctuates by +-{findings.stability_db:.2f} dB; seat the calibrator "
            "firmly, wait for it to settle and keep hands off."
        )
    else:
        half = fit.block_rms.size // 2
        first, last = fit.block_rms[:half], fit.block_rms[half:]
        drift_db = float(10.0 * np.log10(np.mean(last**2) / np.mean(first**2)))
        if abs(drift_db) > _DRIFT_DB:
            reasons.append(
                f"The level drifts by {drift_db:+.2f} dB during the tone; the coupling leaks or "
                "the calibrator is still warming up."
            )
    if findings.distortion_percent > _DISTORTION_PERCENT:
        reasons.append(
            f"The tone has {findings.distortion_percent:.1f} % harmonics; lower the gain, or "
            "change the calibrator's battery."
        )
    if findings.signal_to_noise_db < _SIGNAL_TO_NOISE_DB:
        reasons.append(
            f"The tone stands only {findings.signal_to_noise_db:.0f} dB over everything else; "
            "the coupling leaks, or the calibrator is off."
        )
    return reasons


def _remarks(pascal_per_unit: float, previous: float | None) -> tuple[str, ...]:
    """What is worth a second look."""
    if previous is None:
        return ()
    moved_db = float(20.0 * np.log10(pascal_per_unit / previous))
    if abs(moved_db) <= _MOVED_SINCE_DB:
        return ()
    return (
        f"The calibration moved by {moved_db:+.2f} dB since the last one of this input; if no "
        "gain was changed, seat the calibrator again and repeat.",
    )


def _budget(findings: ToneFindings) -> Budget:
    """Calibrator, seating and fluctuation."""
    return Budget(
        (
            Component.from_half_width("calibrator", _CALIBRATOR_HALF_WIDTH_DB, "rectangular"),
            Component.from_half_width("seating", _COUPLING_HALF_WIDTH_DB, "rectangular"),
            Component.from_half_width("fluctuation", findings.stability_db, "rectangular"),
        )
    )
