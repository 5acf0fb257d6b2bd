"""Documents as measurements make them, drawn at random: for the archive and its benchmark.

Run as ``python tests/kept_documents.py`` it prints the rows that this version keeps of each table,
for ``tests/service/storage/kept_rows``.
"""

import json
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from sqlalchemy import text

from acoustic.band_frequencies import bands_within
from service.documents.bands import DiscreteTone, ThirdOctaves
from service.documents.budget import BudgetRow
from service.documents.calibration import CalibrationDocument, CalibrationTone
from service.documents.floor import FloorDocument
from service.documents.kept_sound import KeptSoundDocument
from service.documents.learned import LearnedPart
from service.documents.matched_settings import (
    AbsoluteLevel,
    ChainPart,
    CoolerPart,
    FloorPart,
    LevelPart,
    MatchedSettingsDocument,
    SettingPart,
    TargetPart,
)
from service.documents.profile import GlidePart, PointPart, ProfileDocument
from service.documents.recheck import LevelNow, LevelThen, RecheckPart
from service.records.levels import BROADBAND, ROWS_A_MINUTE, LevelMinute

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
INPUT = "device:measurement"
THIRD_OCTAVES_HZ = bands_within(20.0, 20_000.0, 3).nominal_hz


def budget(rng, *names):
    """Draw the rows of a budget."""
    return [
        BudgetRow(
            component=name,
            u_db=u_db,
            distribution="normal",
            sensitivity=1.0,
            degrees_of_freedom=None,
            contribution_db=u_db,
            shared=False,
        )
        for name in names
        for u_db in [round(float(rng.uniform(0.01, 0.3)), 5)]
    ]


def calibration(rng, time=NOON, *, accepted=True, source=INPUT, channel=1):
    """Draw a calibration."""
    return CalibrationDocument(
        accepted=accepted,
        pascal_per_unit=6.4 * 10 ** float(rng.normal(0, 0.05) / 20) if accepted else None,
        rate_hz=48_000,
        tone=CalibrationTone(
            frequency_hz=round(float(rng.normal(1000, 0.2)), 3),
            level_dbfs=-20.0,
            stability_db=0.01,
            distortion_percent=0.1,
            signal_to_noise_db=60.0,
        ),
        U95_db=0.3 if accepted else None,
        budget=budget(rng, "calibrator", "response") if accepted else [],
        time=time,
        reasons=[] if accepted else ["The tone is unsteady."],
        input=source,
        channel=channel,
        reference_level_db=94.0,
        reference_frequency_hz=1000.0,
    )


def floor(rng, time=NOON, *, source=INPUT):
    """Draw a check of the floor."""
    LAeq_db = round(float(rng.normal(26, 2)), 2)
    bands_db = [round(float(x), 2) for x in rng.normal(15, 5, len(THIRD_OCTAVES_HZ))]
    return FloorDocument(
        LAeq_db=LAeq_db,
        LA90_db=LAeq_db - 0.4,
        U95_db=0.3,
        U95_absolute_db=0.8,
        budget=budget(rng, "listening"),
        chain_budget=budget(rng, "calibration", "placing"),
        third_octaves=ThirdOctaves(
            nominal_hz=list(THIRD_OCTAVES_HZ), LZeq_db=bands_db, LAeq_db=bands_db
        ),
        tones=[
            DiscreteTone(
                frequency_hz=100.0,
                level_db=12.0,
                tone_to_noise_ratio_db=9.0,
                prominence_ratio_db=None,
                prominent=True,
            )
        ],
        listened_s=30.0,
        rejected_s=1.2,
        fit_for_target_db=LAeq_db + 4,
        comfortable_target_db=LAeq_db + 10,
        warnings=[],
        time=time,
        calibration_time=NOON,
        input=source,
    )


def match(rng, time=NOON, *, cooler="Fjord 140", target_db=40.0, outcome="matched", of=None):
    """Draw a match, made with a calibration."""
    level_db = round(float(rng.normal(target_db, 0.1)), 3)
    chain = ChainPart(
        calibration_time=NOON if of is None else of.time,
        pascal_per_unit=6.4 if of is None else of.pascal_per_unit,
        calibration_U95_db=0.3,
        drift_db=None,
        U95_absolute_db=0.7,
        U95_comparative_db=0.3,
        budget=budget(rng, "calibration", "response and field", "drift", "placing"),
    )
    part = CoolerPart(
        cooler=cooler,
        outcome=outcome,
        why="The level is within the tolerance with at least 95 % probability.",
        bench="south",
        settings={
            "fan": SettingPart(
                duty_percent=round(float(rng.uniform(20, 100)), 2),
                rpm=round(float(rng.uniform(400, 2000)), 1),
            ),
            "pump": SettingPart(duty_percent=80.0, rpm=None),
        },
        level=LevelPart(
            LAeq_db=level_db,
            U95_db=0.25,
            as_read_db=level_db + 0.2,
            budget=budget(rng, "listening here", "listening at other speeds", "room floor"),
        ),
        floor=FloorPart(LAeq_db=26.1, U95_db=0.3),
        margin_db=round(level_db - 26.1, 2),
        settings_visited=4,
        listened_s=31.0,
        bench_s=62.0,
        tones=[],
        warnings=[],
    )
    return MatchedSettingsDocument(
        time=time,
        target=TargetPart(LAeq_db=target_db, tolerance_db=0.3, applies_to="cooler"),
        chain=chain,
        coolers=[part],
        absolute=[AbsoluteLevel(cooler=cooler, LAeq_db=level_db, U95_db=0.75)],
    )


def profile(rng, time=NOON, *, cooler="Fjord 140", bench="south"):
    """Draw a profile."""

    def point(percent):
        return PointPart(
            fan_duty_percent=percent,
            fan_rpm=20.0 * percent,
            pump_duty_percent=None,
            LAeq_db=round(float(rng.normal(40, 3)), 3),
            U95_db=0.2,
            upper_bound=False,
            as_read_db=41.0,
            listened_s=6.0,
            rejected_s=0.0,
        )

    points = [point(percent) for percent in (100.0, 70.0, 40.0, 20.0)]
    return ProfileDocument(
        time=time,
        cooler=cooler,
        bench=bench,
        input=INPUT,
        calibration_time=NOON,
        U95_absolute_db=0.7,
        outcome="complete",
        why="Its whole range was heard.",
        pump="automatic",
        floor=FloorPart(LAeq_db=26.1, U95_db=0.3),
        highest=points[0],
        lowest=points[-1],
        exponent=None,
        resonances=[],
        stall_duty_percent=None,
        restart_duty_percent=None,
        points=points,
        glide=GlidePart(
            speed=rng.uniform(400, 2000, 160).round(1).tolist(),
            as_read_db=rng.normal(40, 3, 160).round(2).tolist(),
            usable=[True] * 160,
            delay_s=0.3,
        ),
        learned=LearnedPart(
            settings=[],
            offset_sd_db=0.1,
            running_percent=17.0,
            standing_percent=None,
            time_constants_s=[1.4],
            hunting=None,
        ),
        listened_s=40.0,
        bench_s=200.0,
        warnings=[],
    )


def recheck(rng, time=NOON, *, cooler="Fjord 140", holds=True):
    """Draw a recheck."""
    difference_db = round(float(rng.normal(0, 0.2)), 3)
    return RecheckPart(
        time=time,
        cooler=cooler,
        bench="south",
        file="fjord.json",
        outcome="holds" if holds else "changed",
        why="The level is as it was.",
        holds=holds,
        then=LevelThen(time=NOON, LAeq_db=40.0, U95_db=0.25),
        now=LevelNow(LAeq_db=40.0 + difference_db, U95_db=0.25, as_read_db=40.3),
        difference_db=difference_db,
        difference_U95_db=0.6,
        settings_then={"fan": SettingPart(duty_percent=43.0, rpm=1210.0)},
        settings_now={"fan": SettingPart(duty_percent=43.1, rpm=1210.0)},
        floor=FloorPart(LAeq_db=26.1, U95_db=0.3),
        listened_s=10.0,
        bench_s=20.0,
        warnings=[],
    )


def sound(file, time=NOON, *, cooler="Fjord 140", seconds=1.0):
    """Describe kept sound."""
    return KeptSoundDocument(
        time=time,
        command="match",
        cooler=cooler,
        bench="south",
        input=INPUT,
        file=file,
        coding="PCM_24",
        rate_hz=48_000,
        channels=1,
        duration_s=seconds,
        finished=True,
        pascal_per_unit=[6.4],
        calibrations=[],
        response=None,
        stretches=[],
        settings=[],
        marked=[],
        warnings=[],
    )


def level_minute(rng, start=NOON, *, source=INPUT, unit="db", bands_hz=THIRD_OCTAVES_HZ):
    """Draw a minute of the level log."""
    levels_db = rng.normal(26, 1.5, (ROWS_A_MINUTE, len(BROADBAND) + len(bands_hz)))
    levels_db[:, 2] = levels_db[:, 1] + rng.uniform(0, 1, ROWS_A_MINUTE)
    return LevelMinute(source, start, unit, tuple(bands_hz), levels_db)


def fill(archive, rng, *, start=NOON, bands_hz=THIRD_OCTAVES_HZ):
    """Add something of every kind; return the ids by kind."""
    first = calibration(rng, start)
    job = archive.jobs.add(kind="match", request={"cooler": "Fjord 140"}, who="test", created=start)
    trail = archive.files.folder / "trails" / f"{start:%Y%m%dT%H%M%S}-fjord.trail.jsonl"
    trail.parent.mkdir(parents=True, exist_ok=True)
    trail.write_bytes(b'{"remark":"a trail"}\n' + rng.bytes(40).hex().encode() + b"\n")
    file = archive.sounds.folder / f"{start:%Y%m%dT%H%M%S}-match.flac"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(rng.bytes(5000))
    ids = {
        "jobs": job.id,
        "calibrations": archive.calibrations.add(first, next_due=start + timedelta(days=7)),
        "floors": archive.floors.add(floor(rng, start), scheduled=True),
        "matches": archive.matches.add(
            match(rng, start, of=first), source=INPUT, calibration=first, trail=trail, job=job.id
        ),
        "profiles": archive.profiles.add(profile(rng, start)),
        "rechecks": archive.rechecks.add(recheck(rng, start)),
        "sounds": archive.sounds.add(file, sound(file.name, start), job=job.id),
        "events": archive.events.add(
            kind="bench-safe", who="south", what="The bench went safe.", time=start
        ),
        "coolers": archive.coolers.id_of("Fjord 140"),
    }
    archive.levels.add(level_minute(rng, start, bands_hz=bands_hz)).result()
    return ids


def rows_of(connection, table):
    """Read all of a table, as JSON types that do not depend on the database."""
    query = text(f"SELECT * FROM {table}")  # noqa: S608 - a table of ours
    return [
        {name: _plain(value) for name, value in row.items()}
        for row in connection.execute(query).mappings()
    ]


def _plain(value):
    if isinstance(value, memoryview | bytes):
        return bytes(value).hex()
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, str) and value.startswith(("{", "[")):
        return json.loads(value)
    return value


if __name__ == "__main__":
    from service.storage.archive import Archive
    from service.storage.tables import Base

    with (
        tempfile.TemporaryDirectory() as name,
        Archive(Path(name)) as filled,
        filled.database.reading() as session,
    ):
        fill(filled, np.random.default_rng(4711), bands_hz=())
        rows = {table: rows_of(session.connection(), table) for table in Base.metadata.tables}
        json.dump(rows, sys.stdout, indent=1)
