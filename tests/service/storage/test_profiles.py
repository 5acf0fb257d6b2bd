"""Profiles kept on the disk: a history that nothing overwrites."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from calibration.fan_noise import Estimate
from calibration.learned import OTHER_DAY_SD_DB, Learned, LearnedSetting
from calibration.results import MatchRequest
from calibration.sweep_results import GlideLevels, SweepPoint, SweepRequest, SweepResult
from service.documents.calibration import CalibrationDocument, CalibrationTone
from service.documents.profile import ProfileDocument
from service.errors import DocumentError
from service.jobs.profile_document import profile_csv, profile_document
from service.storage.profiles import ProfileHistory

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
SETTING = LearnedSetting(60.0, 1000.0, 80.0, Estimate(40.0, 0.2))


def profile(cooler="Fjord 140", bench="south", *, time=NOON, pump="automatic", level_db=40.0):
    """Put a small sweep into a document."""
    tone = CalibrationTone(
        frequency_hz=1000.0,
        level_dbfs=-20.0,
        stability_db=0.01,
        distortion_percent=0.1,
        signal_to_noise_db=60.0,
    )
    calibration = CalibrationDocument(
        accepted=True,
        pascal_per_unit=2.0,
        rate_hz=48_000,
        tone=tone,
        U95_db=0.3,
        time=NOON,
        reasons=[],
    )
    point = SweepPoint(
        fan_percent=60.0,
        rpm=1000.0,
        speed=1000.0,
        pump_percent=80.0,
        reading=Estimate(level_db + 0.2, 0.1),
        level=Estimate(level_db, 0.1),
        upper_bound=False,
        listened_s=6.0,
        rejected_s=0.4,
    )
    result = SweepResult(
        outcome="complete",
        why="It was heard.",
        points=(point,),
        glide=GlideLevels(np.array([990.0]), np.array([39.9]), np.array([1.0]), 0.3),
        floor=Estimate(26.0, 0.2),
        curve=None,
        exponent_db=Estimate(55.0, 1.0),
        resonances=(),
        stall_percent=17.0,
        restart_percent=22.0,
        learned=Learned((SETTING,), running_percent=17.4, time_constants_s=(1.4,)),
        listened_s=6.0,
        bench_s=200.0,
        warnings=(),
    )
    request = SweepRequest(pump=pump, pump_duty_percent=70.0 if pump == "fixed" else None)
    return profile_document(
        cooler, bench, request, result, source="device:x", calibration=calibration, time=time
    )


def test_the_newest_profile_is_used_and_older_ones_stay(tmp_path):
    """Every sweep keeps a file of its own; the newest one is what a match starts from."""
    history = ProfileHistory(tmp_path)
    later = profile(time=NOON + timedelta(hours=1), level_db=41.0)
    paths = [history.add(later), history.add(profile()), history.add(profile())]

    assert len(set(paths)) == 3
    assert [one.time for one in history.of("south", "Fjord 140")] == [NOON, NOON, later.time]
    assert history.latest("south", "Fjord 140", pump_follows=False) == later


def test_a_profile_belongs_to_its_cooler_bench_and_pump(tmp_path):
    """Names that look alike as file names are told apart, and so is a pump that is led along."""
    history = ProfileHistory(tmp_path)
    history.add(profile("Fjord-140"))
    history.add(profile(bench="north"))
    history.add(profile(pump="follows"))

    assert history.latest("south", "Fjord 140", pump_follows=False) is None
    assert history.latest("south", "Fjord 140", pump_follows=True).pump == "follows"
    assert history.latest("north", "Fjord 140", pump_follows=False) is not None
    assert history.latest("west", "Fjord 140", pump_follows=False) is None


def test_a_profile_comes_back_as_what_was_learned(tmp_path):
    """What a sweep learned is the same to the last digit, with the doubt of another day."""
    path = ProfileHistory(tmp_path).add(profile())
    read = ProfileDocument.from_json(path.read_bytes(), str(path))
    learned = read.to_learned()

    assert learned.settings == (SETTING,)
    assert learned.offset_sd_db == OTHER_DAY_SD_DB
    assert learned.running_percent == 17.4
    assert learned.time_constants_s == (1.4,)


def test_a_damaged_profile_is_named(tmp_path):
    """A file that is no profile is refused with its name."""
    history = ProfileHistory(tmp_path)
    path = history.add(profile())
    path.write_text('{"schema": "evenhush.profile/1"')

    with pytest.raises(DocumentError, match=r"20260504T120000.*is no profile of a cooler"):
        history.of("south", "Fjord 140")


def test_the_table_holds_settings_and_glide():
    """The CSV table has a row for each settled setting and each half second of the glides."""
    rows = profile_csv(profile()).splitlines()

    assert rows[0].split(",")[:3] == ["kind", "fan_duty_percent", "speed"]
    assert rows[1].startswith("setting,60.0,1000.0,80.0,40.0,0.196,False,40.2,True")
    assert rows[2] == "glide,,990.0,,,,,39.9,True"


def test_a_sweep_asks_the_bench_for_what_a_match_does():
    """The hands at the bench get the floor and the pump of a sweep as those of a match."""
    asked = SweepRequest(pump="fixed", pump_duty_percent=70.0).at_the_bench()

    assert asked == MatchRequest(0.0, 0.0, pump="fixed", pump_duty_percent=70.0)
