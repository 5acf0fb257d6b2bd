"""What the checks of many days say of the room: whether it is fit, its quiet hours, its tones."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

import numpy as np

from acoustic.level_history import hours_of_day
from acoustic.tone_history import checks_with_tone
from calibration.drift import Calibrated, doubtful_stretches
from service.settings import Settings
from service.storage.archive import Archive

__all__ = [
    "CheckSchedule",
    "DoubtfulTime",
    "QuietHour",
    "RoomReview",
    "RoomTone",
    "doubtful_times",
    "review_room",
]

_COMPARED: Final = 24
"""How many checks before the newest are looked through for its tones."""
_HOURS_OF: Final = timedelta(days=28)
"""How far back the hours of the day are looked at."""
_POINTS: Final = 2000
"""Into how many parts that time is divided: 20 min each, so a part seldom holds two checks."""


@dataclass(frozen=True, slots=True)
class RoomTone:
    """A tone in the room, such as hum."""

    frequency_hz: float
    """Its frequency."""
    level_db: float
    """Its level, unweighted."""
    tone_to_noise_ratio_db: float | None
    """Level over the noise in its critical band."""
    prominent: bool
    """Whether it is prominent."""
    since: datetime
    """Time of the first check since which it has been there, as far back as checks are compared."""
    new: bool
    """Whether the checks before did not have it."""


@dataclass(frozen=True, slots=True)
class QuietHour:
    """What the room was like in one hour of the day."""

    hour: int
    """Which one, by the clock that was asked for: 0 is from midnight to one."""
    checks: int
    """From how many checks that is known."""
    usual_LAeq_db: float
    """Median of their levels."""
    highest_LAeq_db: float
    """Highest of them."""
    fit: bool
    """Whether a room like that is fit for the configured target."""


@dataclass(frozen=True, slots=True)
class CheckSchedule:
    """When the room is listened to by itself."""

    every_min: float
    """How often, in minutes; 0 for never."""
    listens_s: float
    """How long, in seconds."""
    lowers_fans: bool
    """Whether fans are turned down for it; otherwise it waits until nothing turns."""
    next: datetime | None
    """When the next check is due; None where none is made."""


@dataclass(frozen=True, slots=True)
class RoomReview:
    """What is known of the room."""

    target_db: float
    """Target of the configuration."""
    check: str | None
    """Id of the newest check in which nothing turned; None where there is none."""
    fit: bool | None
    """Whether the room was fit for the target then; None where nobody knows."""
    why: str
    """That in one sentence."""
    compared: int
    """With how many earlier checks the tones were compared."""
    tones: list[RoomTone]
    """Tones of the newest check."""
    hours: list[QuietHour]
    """Hours of the day of which there is a check in the last four weeks."""
    schedule: CheckSchedule
    """When the room is listened to by itself."""


@dataclass(frozen=True, slots=True)
class DoubtfulTime:
    """A stretch of time whose levels stand on a calibration that is not to be relied on."""

    since: datetime
    """When it begins."""
    until: datetime | None
    """When it ends; None while it lasts."""
    why: Literal["drifted", "overdue"]
    """Whether the microphone had drifted too far, or should have been calibrated."""
    drift_db: float | None
    """How far it drifted; None unless it did."""


def review_room(
    archive: Archive,
    settings: Settings,
    source: str,
    *,
    now: datetime,
    next_check: datetime | None = None,
    ahead_min: float = 0.0,
) -> RoomReview:
    """Say what the checks of the room floor come to.

    Parameters
    ----------
    archive : Archive
        Where they are.
    settings : Settings
        The configuration, with the target and the schedule.
    source : str
        Through which input they were heard.
    now : datetime
        The time.
    next_check : datetime, optional
        When the next one is due; None where nobody makes any.
    ahead_min : float, optional
        How far the reader's clock is ahead of UTC, in minutes, for the hours of the day.

    Returns
    -------
    RoomReview
        The review.

    Raises
    ------
    StorageError
        If the archive fails.
    """
    floors, target_db, serve = archive.floors, settings.target_db, settings.serve
    kept = [floors.get(one.id) for one in floors.list(source=source, limit=_COMPARED + 1).items]
    # What was heard while something turned says nothing of the room.
    recent = [check for check in kept if not check.document.turning_rpm]
    newest = recent[0] if recent else None
    needs_db = 0.0 if newest is None else newest.record.fit_for_target_db - newest.record.LAeq_db
    points = floors.trend(
        since=now - _HOURS_OF,
        until=now,
        source=source,
        points=_POINTS,
    )
    hours = hours_of_day(
        np.array([point.time.timestamp() for point in points]),
        np.array([point.LAeq_db for point in points]),
        ahead_s=60.0 * ahead_min,
    )
    if newest is None:
        fit, why = None, "The room floor was not heard while nothing turned."
    else:
        fit = newest.record.fit_for_target_db <= target_db
        why = (
            f"With {newest.record.LAeq_db:.1f} dB(A) it is "
            f"{'fit' if fit else 'too loud'} for {target_db:g} dB(A): targets from "
            f"{newest.record.fit_for_target_db:.1f} dB(A) on can be matched in it."
        )
    tones = []
    for tone in [] if newest is None else newest.document.tones:
        earlier = [[each.frequency_hz for each in kept.document.tones] for kept in recent[1:]]
        checks = checks_with_tone(tone.frequency_hz, earlier)
        tones.append(
            RoomTone(
                frequency_hz=tone.frequency_hz,
                level_db=tone.level_db,
                tone_to_noise_ratio_db=tone.tone_to_noise_ratio_db,
                prominent=tone.prominent,
                since=recent[checks].record.time,
                new=checks == 0 and len(recent) > 1,
            )
        )
    return RoomReview(
        target_db=target_db,
        check=None if newest is None else newest.record.id,
        fit=fit,
        why=why,
        compared=max(len(recent) - 1, 0),
        tones=tones,
        hours=[
            QuietHour(
                hour=each.hour,
                checks=each.count,
                usual_LAeq_db=round(each.usual_db, 2),
                highest_LAeq_db=round(each.highest_db, 2),
                fit=each.usual_db + needs_db <= target_db,
            )
            for each in hours
        ],
        schedule=CheckSchedule(
            every_min=serve.floor_check_every_min,
            listens_s=serve.floor_check_s,
            lowers_fans=serve.floor_check_lowers_fans,
            next=next_check,
        ),
    )


def doubtful_times(
    archive: Archive, source: str, channels: Sequence[int], *, now: datetime
) -> list[DoubtfulTime]:
    """Find the times whose levels stand on a calibration that is overdue or had drifted.

    Parameters
    ----------
    archive : Archive
        Where calibrations are.
    source : str
        Which input.
    channels : sequence of int
        Channels of it that count, from 1.
    now : datetime
        The time.

    Returns
    -------
    list of DoubtfulTime
        Those of any of the channels, oldest first.

    Raises
    ------
    StorageError
        If the archive fails.
    """
    found = []
    for channel in channels:
        calibrations = [
            Calibrated(
                time_s=record.time.timestamp(),
                due_s=None if record.next_due is None else record.next_due.timestamp(),
                drift_db=record.drift_db,
            )
            for record in archive.calibrations.trend(source, channel)
        ]
        found += doubtful_stretches(calibrations, now.timestamp())
    return [
        DoubtfulTime(
            since=datetime.fromtimestamp(doubt.since_s, UTC),
            until=None if doubt.until_s is None else datetime.fromtimestamp(doubt.until_s, UTC),
            why=doubt.why,
            drift_db=doubt.drift_db,
        )
        for doubt in sorted(found, key=lambda doubt: doubt.since_s)
    ]
