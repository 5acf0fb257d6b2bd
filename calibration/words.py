"""What a match says to the person at the bench."""

from typing import Final

from acoustic.beats import Beat
from calibration.fan_noise import Estimate
from calibration.results import MatchOutcome

__all__ = ["beat_words", "progress_words", "reason_words"]

_REASONS: Final[dict[MatchOutcome, str]] = {
    "matched": "The level is within {goal} with {probability} probability.",
    "quieter-at-full-speed": "Even at full speed the cooler stays below {goal}.",
    "louder-at-minimum": "Even at the lowest speeds the cooler stays above {goal}.",
    "floor-too-high": (
        "The room reads {floor_db:.1f} dB(A), so close below the target of {target_db:.4g} dB(A) "
        "that the cooler's own level cannot be told; make the room quieter or raise the target."
    ),
    "unsteady": "No speed was found at which the level is within {goal} for sure.",
    "stopped": "The run was stopped.",
}


def reason_words(
    outcome: MatchOutcome,
    *,
    goal: str,
    floor_db: float,
    target_db: float,
    probability: float,
    sure: bool,
) -> str:
    """Say in one sentence why a match ended as it did.

    Parameters
    ----------
    outcome : MatchOutcome
        How it ended.
    goal : str
        The target with its tolerance, in words.
    floor_db, target_db : float
        Levels of the room and of the target, in dB(A).
    probability : float
        Probability of being within the tolerance.
    sure : bool
        Whether that is as high as it has to be.

    Returns
    -------
    str
        The sentence.
    """
    return _REASONS[outcome].format(
        goal=goal,
        floor_db=floor_db,
        target_db=target_db,
        probability="at least 95 %" if sure else f"{100 * probability:.0f} %",
    )


def progress_words(
    level: Estimate, missed_by: Estimate, *, rpm: float | None, percent: float, next_percent: float
) -> str:
    """Say what was heard at a setting and where it goes next.

    Parameters
    ----------
    level : Estimate
        Level there in dB(A).
    missed_by : Estimate
        How far it is from the target, in dB.
    rpm : float or None
        Fan speed there; None without a tachometer.
    percent, next_percent : float
        Fan duty there and next.

    Returns
    -------
    str
        The sentence, without a capital and a full stop.
    """
    here = f"{percent:.1f} % duty" if rpm is None else f"{rpm:.0f} rpm"
    side = "over" if missed_by.mean_db > 0 else "short"
    return (
        f"at {here}: {level.mean_db:.1f} +-{1.96 * level.sd_db:.1f} dB, "
        f"{abs(missed_by.mean_db):.1f} dB {side}, going to {next_percent:.1f} % duty"
    )


def beat_words(beat: Beat) -> str:
    """Say that the level of the given setting beats.

    Parameters
    ----------
    beat : Beat
        The beat.

    Returns
    -------
    str
        The sentence.
    """
    return (
        f"The level beats by {beat.depth_db:.1f} dB every {beat.period_s:.1f} s, as two sources "
        "nearly alike do; it was taken over whole beats."
    )
