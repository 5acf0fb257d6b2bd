"""Five years of a lab, drawn at random: for the archive's benchmark, and for whoever shows it.

The same seed gives the same history. It goes in without the archive's own checks and one commit
after the other, which would take an hour.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import islice

import kept_documents as draw
import numpy as np
from sqlalchemy import insert

from service.documents.recheck import RecheckDocument
from service.records.levels import BROADBAND, ROWS_A_MINUTE
from service.storage.archive import Archive
from service.storage.archive_calibrations import note_drifts
from service.storage.document_columns import columns_of
from service.storage.keys import content_key
from service.storage.level_rows import minute_columns, series_of
from service.storage.tables import (
    Base,
    Calibration,
    Cooler,
    Event,
    FloorCheck,
    Job,
    LevelBlock,
    LevelMinuteRow,
    Match,
    Profile,
    Recheck,
    Sound,
)

__all__ = ["History", "write_history"]

_AT_ONCE = 1000
_OUTCOMES = ("matched", "quieter-at-full-speed", "louder-at-minimum", "unsteady", "stopped")
_OFTEN = (0.85, 0.08, 0.04, 0.02, 0.01)
_TARGETS_DB = (35.0, 40.0, 45.0)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class History:
    """How much there was."""

    seed: int = 1
    """Seed of everything random."""
    end: datetime = datetime(2026, 11, 1, tzinfo=UTC)
    """When it ends."""
    years: float = 5.0
    """How long it goes back."""
    coolers: int = 200
    """Coolers; each has a profile for each six matches, and a recheck for each three."""
    matches: int = 5000
    """Matches, each with a job and every fifth with a sound that is not there."""
    floors: int = 50_000
    """Checks of the floor."""
    level_days: int = 90
    """Days of the level log at its end."""


def write_history(archive: Archive, history: History) -> None:
    """Fill an empty archive.

    Parameters
    ----------
    archive : Archive
        The archive.
    history : History
        What with.
    """
    rng = np.random.default_rng(history.seed)
    calibrations = list(_calibrations(rng, history))
    names = [f"Cooler {number:03d}" for number in range(history.coolers)]
    _put(archive, Cooler, _coolers(names, history))
    _put(archive, Calibration, (row for row, _ in calibrations))
    archive.database.write(lambda session: note_drifts(session, draw.INPUT, 1)).result()
    documents = [document for _, document in calibrations]
    _put(archive, Job, _jobs(history))
    _put(archive, Match, _matches(rng, history, names, documents))
    _put(archive, FloorCheck, _floors(rng, history))
    _put(archive, Profile, _profiles(rng, history, names))
    _put(archive, Recheck, _rechecks(rng, history, names))
    _put(archive, Sound, _sounds(history, names))
    _put(archive, Event, _events(history))
    _write_levels(archive, rng, history)


def _put(archive: Archive, row: type[Base], entries: Iterable[dict]) -> None:
    """Write entries, a thousand a transaction."""
    coming = iter(entries)
    while some := list(islice(coming, _AT_ONCE)):
        archive.database.write(
            lambda session, some=some: session.execute(insert(row), some) and None
        ).result()


def _moments(history: History, count: int) -> Iterator[datetime]:
    """Return evenly spaced moments to the end, to the millisecond."""
    begin = history.end - timedelta(days=365.25 * history.years)
    for number in range(count):
        moment = begin + (history.end - begin) * (number / count)
        yield moment.replace(microsecond=moment.microsecond // 1000 * 1000)


def _filed(row: type[Base], kind: str, document, **more) -> dict:
    """Put a document and the columns it fills together."""
    plain = document.to_plain()
    key = content_key(kind, plain)
    return {"id": key, "document": plain, **columns_of(row, plain, kind), "job": None, **more}


def _calibrations(rng, history):
    """Calibrate every other day."""
    for moment in _moments(history, round(182 * history.years)):
        document = draw.calibration(rng, moment)
        more = {"drift_db": None, "next_due": moment + timedelta(days=7)}
        yield _filed(Calibration, "calibration", document, **more), document


def _coolers(names, history):
    """Take up coolers one after the other."""
    for name, moment in zip(names, _moments(history, len(names)), strict=True):
        yield {
            "id": content_key("cooler", name),
            "name": name,
            "created": moment,
            "changed": moment,
            "retired": None,
            "document": {"schema": "evenhush.cooler/1", "cooler": name, "fans": 2, "blades": 7},
        }


def _job_of(number):
    return content_key("job", f"{number}")


def _jobs(history):
    """Ask for every match, and for three more that wait."""
    for number, moment in enumerate(_moments(history, history.matches)):
        waits = number >= history.matches - 3
        yield {
            "id": _job_of(number),
            "kind": "match",
            "state": "queued" if waits else "done",
            "who": "somebody",
            "request": {"kind": "match", "targets_db": [40.0]},
            "created": moment,
            "changed": moment,
            "started": None if waits else moment,
            "ended": None if waits else moment,
            "position": number - history.matches + 3 if waits else None,
            "progress": {"words": "done", "points": []},
            "why": None,
            "results": [],
        }


def _matches(rng, history, names, calibrations):
    """Match coolers at random, each with the last calibration before."""
    used = 0
    for number, moment in enumerate(_moments(history, history.matches)):
        while used + 1 < len(calibrations) and calibrations[used + 1].time <= moment:
            used += 1
        document = draw.match(
            rng,
            moment,
            cooler=str(rng.choice(names)),
            target_db=float(rng.choice(_TARGETS_DB)),
            outcome=str(rng.choice(_OUTCOMES, p=_OFTEN)),
            of=calibrations[used],
        )
        yield _filed(
            Match,
            "match",
            document,
            changed=moment,
            input=draw.INPUT,
            calibration=content_key("calibration", calibrations[used].to_plain()),
            trail=None,
            trail_sha256=None,
            job=_job_of(number),
        )


def _floors(rng, history):
    """Check the floor over and over."""
    for moment in _moments(history, history.floors):
        yield _filed(FloorCheck, "floor check", draw.floor(rng, moment), scheduled=True)


def _profiles(rng, history, names):
    """Sweep coolers at random."""
    for moment in _moments(history, history.matches // 6):
        document = draw.profile(rng, moment, cooler=str(rng.choice(names)))
        yield _filed(Profile, "profile", document, trail=None, trail_sha256=None)


def _rechecks(rng, history, names):
    """Check coolers again at random."""
    for moment in _moments(history, history.matches // 3):
        part = draw.recheck(rng, moment, cooler=str(rng.choice(names)), holds=rng.random() < 0.95)
        yield _filed(Recheck, "recheck", RecheckDocument(time=moment, coolers=[part]))


def _sounds(history, names):
    """List sound."""
    for number, moment in enumerate(_moments(history, history.matches // 5)):
        file = f"{number}.flac"
        document = draw.sound(file, moment, cooler=names[number % len(names)])
        place = {"path": f"sounds/{file}", "bytes": 10**7, "sha256": "0" * 64}
        yield _filed(Sound, "sound", document, **place)


def _events(history):
    """Let something happen every now and then."""
    for number, moment in enumerate(_moments(history, 4 * history.matches)):
        yield {
            "id": content_key("event", f"{number}"),
            "time": moment,
            "kind": "calibration-overdue" if number % 10 == 0 else "job-done",
            "who": "lab",
            "what": "Something happened.",
        }


def _write_levels(archive, rng, history):
    """Write the level log: a hundred minutes again and again, quieter at night."""
    bands = draw.THIRD_OCTAVES_HZ
    shape = (100, ROWS_A_MINUTE, len(BROADBAND) + len(bands))
    pool = np.rint(100 * rng.normal(26.0, 1.5, shape)).astype("<i2")
    first = (history.end - timedelta(days=history.level_days) - _EPOCH) // timedelta(minutes=1)

    def day_of(start):
        def work(session):
            series = series_of(session, draw.INPUT, "db", bands)
            minutes, blocks = [], []
            for minute in range(start, start + 1440):
                night = 6.0 * np.cos(2 * np.pi * (minute % 1440) / 1440.0)
                block = (pool[minute % 100] - np.int16(100 * night)).tobytes()
                minutes.append(minute_columns(minute, series, block))
                blocks.append({"minute": minute, "series": series, "levels": block})
            session.execute(insert(LevelMinuteRow), minutes)
            session.execute(insert(LevelBlock), blocks)

        return work

    for day in range(history.level_days):
        archive.database.write(day_of(first + 1440 * day)).result()
