"""``evenhush room``: what the floor checks of many days say of the room."""

from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.data import open_kept
from service.cli.options import AsJson, ConfigFile, DataFolder
from service.cli.runtime import open_session, print_json

if TYPE_CHECKING:
    from service.wiring.room_review import DoubtfulTime, RoomReview

__all__ = ["room"]

_ANSWERS = {True: "fit", False: "too loud", None: "not known"}


def room(
    *,
    source: Annotated[
        str | None,
        typer.Option(
            "--input",
            help="Input that it was heard through [default: that of the newest check].",
            show_default=False,
        ),
    ] = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    as_json: AsJson = False,
) -> int:
    """Say whether the room is fit for the target, what hums in it, and which hours are quiet.

    It goes by the floor checks in the archive, and tells the times whose levels stand on a
    calibration that was overdue or had drifted. The answer is no (1) where the newest check found
    the room too loud.
    """
    from dataclasses import asdict
    from datetime import timedelta

    from service.clock import utc_now, utc_text
    from service.errors import SettingsError
    from service.wiring.room_review import doubtful_times, review_room

    session = open_session(config, data)
    now = utc_now()
    ahead = now.astimezone().utcoffset() or timedelta(0)
    with open_kept(session, begin=False) as archive:
        newest = archive.floors.list(source=source, limit=1).items
        if not newest:
            raise SettingsError("No floor check is in the archive; make one with 'evenhush floor'.")
        heard = newest[0].input
        review = review_room(
            archive, session.settings, heard, now=now, ahead_min=ahead.total_seconds() / 60.0
        )
        channels = {
            record.channel
            for record in archive.calibrations.list(limit=200).items
            if record.input == heard
        }
        doubts = doubtful_times(archive, heard, sorted(channels), now=now)
    if as_json:
        plain = {
            **asdict(review),
            "tones": [asdict(tone) | {"since": utc_text(tone.since)} for tone in review.tones],
            "doubts": [
                asdict(doubt)
                | {
                    "since": utc_text(doubt.since),
                    "until": None if doubt.until is None else utc_text(doubt.until),
                }
                for doubt in doubts
            ],
        }
        print_json(plain)
    else:
        _show(review, doubts)
    return 0 if review.fit else 1


def _show(review: "RoomReview", doubts: "list[DoubtfulTime]") -> None:
    """Print it for a person."""
    print(f"{_ANSWERS[review.fit]}: {review.why}")
    for tone in review.tones:
        since = "new" if tone.new else f"since {tone.since.astimezone():%Y-%m-%d %H:%M}"
        print(
            f"  tone at {tone.frequency_hz:.1f} Hz, {tone.level_db:.1f} dB, {since}"
            f"{', prominent' if tone.prominent else ''}"
        )
    if review.hours:
        print("hours of the day, last four weeks:")
    for hour in review.hours:
        print(
            f"  {hour.hour:02d}:00  usually {hour.usual_LAeq_db:5.1f} dB(A), at most "
            f"{hour.highest_LAeq_db:5.1f}, {'fit' if hour.fit else 'too loud'} "
            f"({hour.checks} checks)"
        )
    for doubt in doubts:
        until = "now" if doubt.until is None else f"{doubt.until.astimezone():%Y-%m-%d %H:%M}"
        why = (
            "the calibration was overdue"
            if doubt.drift_db is None
            else f"the microphone drifted by {doubt.drift_db:+.2f} dB: do not use these levels"
        )
        print(f"{doubt.since.astimezone():%Y-%m-%d %H:%M} to {until}: {why}")
