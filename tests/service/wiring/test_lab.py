"""Tests of the lab: measurements on a simulated room over real HTTP, as fast as they go."""

from contextlib import closing
from datetime import timedelta

import numpy as np
import pytest
from lab_doubles import LabOnTest, Room
from sound_doubles import WAIT_S

from acoustic.errors import InputError
from service.bench.client import BenchClient
from service.documents.jobs import CalibrateJob, FloorJob, MatchJob, RecheckJob, SweepJob
from service.errors import CaptureError, SettingsError
from service.settings import Settings
from service.simulation.truth import settled_level_db
from service.wiring.lab import open_demo_lab

FJORD = "Fjord 140"
MOOR = "Moor 120"


@pytest.fixture(autouse=True)
def without_pictures(monkeypatch):
    """Leave out what takes longest and has tests of its own."""
    monkeypatch.setattr("service.wiring.series.draw_levels", lambda _panels, _form: b"")


@pytest.fixture
def lab(tmp_path):
    """Make a lab that ends."""
    made = LabOnTest(tmp_path)
    with closing(made.lab):
        yield made


def test_the_whole_job_of_a_cooler(lab):
    """A cooler is matched within the tolerance, everything it rests on is kept, and it holds."""
    calibration = lab.calibrate()
    lab.lab.look_after()
    (check,) = lab.queue.active()
    assert check.who == "schedule"
    lab.until(check, "done")

    match = lab.do(MatchJob(cooler=FJORD, targets_db=[36.0]))
    level_db = settled_level_db(lab.room.plant)
    recheck = lab.do(RecheckJob(cooler=FJORD))

    archive = lab.lab.archive
    kept = archive.matches.get(match.results[-1].id)
    assert kept.document.coolers[0].outcome == "matched"
    assert kept.record.calibration == calibration.results[0].id
    assert kept.record.job == match.id
    assert (lab.folder / kept.record.trail).is_file()
    assert match.progress.floor_check == archive.floors.list().items[0].id
    assert archive.floors.list().items[0].scheduled
    # The bench went back to its own control, which is not where it was matched.
    assert kept.record.LAeq_db == pytest.approx(36.0, abs=0.3)
    assert level_db != pytest.approx(36.0, abs=0.01)
    assert archive.rechecks.get(recheck.results[0].id).record.holds
    assert [point.listened_s > 0.0 for point in match.progress.points].count(True) >= 2
    assert match.progress.points[-1].LAeq_db == pytest.approx(36.3, abs=0.5)


def test_live_frames_show_the_measurement(lab):
    """While a cooler is matched, a frame shows target, floor, bench and what is being done."""
    lab.calibrate()
    lab.hear_floor()
    job = lab.queue.add(MatchJob(cooler=FJORD, targets_db=[36.0]), "anna")
    waiting = lab.until(job, "waiting-for-person")
    assert waiting.wants.startswith("Mount Fjord 140")
    with lab.lab.live.subscribe() as reader:
        lab.queue.go_on(job.id, "anna")
        frames = (reader.take(WAIT_S) for _ in range(1000))
        frame = next(frame for frame in frames if frame.bench.control == "leased")

    assert (frame.calibrated, frame.target_db) == (True, 36.0)
    assert frame.floor_db == pytest.approx(26.2, abs=0.5)
    assert frame.job.cooler == FJORD
    assert frame.bench.control == "leased"
    assert frame.bench.holder == "evenhush match"
    assert frame.bench.actuators["fan"].rpm > 0
    lab.queue.stop(job.id, "anna")


def test_a_paused_match_frees_the_bench_and_goes_on_with_what_it_heard(lab):
    """While it rests the bench has its own control; then nothing is repeated that is known."""
    lab.calibrate()
    lab.hear_floor()
    job = lab.queue.add(MatchJob(cooler=MOOR, targets_db=[45.0, 33.0]), "anna")
    lab.until(job, "waiting-for-person")
    lab.queue.go_on(job.id, "anna")
    lab.until_said(job, "going for 33db")

    paused = lab.queue.pause(job.id, "anna")

    assert paused.state == "paused"
    with closing(BenchClient(lab.room.bench.url)) as client:
        assert client.state().control == "own"
    assert lab.lab.status().bench.holder is None
    (first,) = paused.results
    lab.queue.resume(job.id, "anna")
    done = lab.until(job, "refused")
    assert "45db: quieter-at-full-speed" in done.why
    assert any("was done before the run broke off" in text for text in done.progress.remarks)
    assert done.results[0] == first
    assert len(done.results) == 2
    assert done.progress.floor_check == paused.progress.floor_check
    targets = [record.target_db for record in lab.lab.archive.matches.list().items]
    assert sorted(targets) == [33.0, 45.0]


def test_a_restart_in_the_middle_of_a_match_goes_on(tmp_path):
    """A program that ends gives the bench back; the next one takes the match up where it was."""
    room = Room()
    first = LabOnTest(tmp_path, room=room)
    with closing(first.lab):
        first.calibrate()
        first.hear_floor()
        job = first.queue.add(MatchJob(cooler=MOOR, targets_db=[45.0, 33.0]), "anna")
        first.until(job, "waiting-for-person")
        first.queue.go_on(job.id, "anna")
        first.until_said(job, "going for 33db")

    second = LabOnTest(tmp_path)
    with closing(second.lab):
        broken = second.queue.get(job.id)
        assert broken.state == "interrupted"
        assert len(broken.results) == 1
        second.queue.go_on(job.id, "anna")
        assert second.until(job, "waiting-for-person").wants.startswith("Mount Moor 120")
        second.queue.go_on(job.id, "anna")
        done = second.until(job, "refused")
        assert len(done.results) == 2
        assert any("was done before the run broke off" in text for text in done.progress.remarks)


def test_a_pulled_cable_fails_one_measurement_and_nothing_else(lab):
    """The job says why, the status shows it, and with the cable back everything goes on."""
    lab.calibrate()
    job = lab.queue.add(FloorJob(seconds=3600.0), "anna")
    lab.until_said(job, "listening to the room")
    lab.room.pulled = CaptureError("The cable was pulled.")

    assert lab.until(job, "failed").why == "The cable was pulled."
    assert lab.problems()["input-lost"] == ("No sound comes from the input. The cable was pulled.")
    assert lab.lab.archive.events.list(kind="input-lost").items
    lab.room.pulled = None
    assert lab.hear_floor().results
    assert "input-lost" not in lab.problems()


def test_without_a_calibration_nothing_is_called_a_sound_pressure_level(lab):
    """Frames and log are re full scale, and a match says what is missing."""
    frame = lab.frame()
    assert not frame.calibrated
    assert frame.floor_db is None
    assert "never calibrated" in lab.problems()["not-calibrated"]

    failed = lab.do(MatchJob(cooler=FJORD), state="failed")

    assert "was never calibrated" in failed.why
    with lab.lab.live.subscribe() as reader:
        for _ in range(20):
            reader.take(WAIT_S)
    status = lab.lab.status()
    lab.lab.close()
    again = LabOnTest(lab.folder)
    with closing(again.lab):
        logged = again.lab.archive.levels.read(
            status.input.name, status.time, status.time + timedelta(minutes=2), unit="dbfs"
        )
        assert np.nanmax(logged.levels[:, 0]) < -40.0
        pressure = again.lab.archive.levels.read(
            status.input.name, status.time, status.time + timedelta(minutes=2)
        )
        assert np.isnan(pressure.levels).all()


def test_a_refused_tone_is_an_answer(lab):
    """A calibrator at the wrong level keeps the reasons, and changes no level."""
    refused = lab.do(CalibrateJob(seconds=3.0, frequency_hz=250.0), state="refused")

    assert "250" in refused.why
    kept = lab.lab.archive.calibrations.get(refused.results[0].id)
    assert not kept.record.accepted
    assert lab.lab.status().calibration.time is None


def test_a_calibration_counts_at_once_and_is_due_after_a_day(lab):
    """Age, due time and factor are in the status; results measured later say that it is overdue."""
    lab.calibrate()
    status = lab.lab.status().calibration
    assert status.pascal_per_unit == pytest.approx(6.4, rel=0.01)
    assert (status.due, status.void) == (False, False)
    assert status.next_due - status.time == timedelta(hours=24)
    assert "calibration-due" not in lab.problems()

    lab.clock.ahead = timedelta(hours=30)
    assert "calibrate it before the next series" in lab.problems()["calibration-due"]
    for view in lab.queue.active():
        lab.until(view, "done")
    match = lab.do(MatchJob(cooler=MOOR, targets_db=[40.0]), state="refused")
    kept = lab.lab.archive.matches.get(match.results[0].id)
    assert any("calibrated 30 h before" in text for text in kept.document.coolers[0].warnings)


def test_drift_is_entered_into_what_was_measured_since(lab):
    """After a microphone moved by 1 dB its earlier levels are void, and the status says so."""
    lab.calibrate()
    lab.hear_floor()
    match = lab.do(MatchJob(cooler=MOOR, targets_db=[40.0]), state="refused")
    lab.room.gain = 10 ** (1.0 / 20.0)

    again = lab.calibrate()

    record = lab.lab.archive.matches.get(match.results[0].id).record
    assert record.drift_db == pytest.approx(1.0, abs=0.05)
    assert record.void
    assert "1 match(es)" in again.why
    assert "drifted by +1.0" in lab.problems()["drift"]
    assert lab.lab.status().calibration.drift_db == pytest.approx(1.0, abs=0.05)
    assert not lab.lab.status().floor.fit_to_use


def test_no_floor_is_heard_by_itself_while_a_cooler_turns(lab):
    """A due check waits, and the status says for what; one that is asked for says what turned."""
    lab.calibrate()
    lab.hear_floor()
    lab.room.mount(FJORD)
    lab.clock.ahead = timedelta(hours=2)
    # Time on the bench is sound: the tachometer reads only after some of it.
    asked = lab.hear_floor()
    assert "Not the room alone: fan at" in asked.why
    lab.clock.ahead = timedelta(hours=4)

    problems = lab.problems()

    assert "fan turns" in problems["floor-due"]
    assert lab.queue.active() == ()
    status = lab.lab.status()
    assert not status.floor.fit_to_use
    assert status.next_floor_check < status.time


def test_fans_are_lowered_for_a_floor_only_where_the_configuration_allows_it(tmp_path):
    """Then the bench is leased for it and given back, and what still turned is noted."""
    lab = LabOnTest(tmp_path, floor_check_lowers_fans=True, floor_check_s=12.0)
    with closing(lab.lab):
        lab.calibrate()
        lab.room.mount(FJORD)
        lab.lab.look_after()
        lab.clock.ahead = timedelta(hours=1)
        lab.lab.look_after()
        (check,) = lab.queue.active()
        assert check.request.lower_fans
        done = lab.until(check, "done")

        kept = lab.lab.archive.floors.get(done.results[0].id)
        lowest_rpm = lab.room.plant.cooler.machines["fan"].law.settled_rpm(15.0)
        assert kept.document.turning_rpm == {"fan": pytest.approx(lowest_rpm, abs=40.0)} or (
            kept.document.turning_rpm == {}
        )
        with closing(BenchClient(lab.room.bench.url)) as client:
            assert client.state().control == "own"


def test_a_bench_that_is_away_is_a_problem_and_asked_less_and_less_often(lab):
    """The status says so; a floor can be heard all the same, as nothing turns that is off."""
    lab.calibrate()
    lab.lab.look_after()
    lab.until(lab.queue.active()[0], "done")
    lab.room._served.close()
    lab.clock.ahead = timedelta(seconds=10)

    assert "bench-unreachable" in lab.problems()
    assert lab.lab.status().bench.control == "unreachable"
    heard = lab.hear_floor()
    assert "nobody tells whether anything turns" in heard.progress.remarks[0]


def test_what_excludes_each_other_is_refused(lab):
    """A request that cannot be meant so never waits."""
    for wrong, words in (
        (MatchJob(cooler=FJORD, targets_db=[40.0], targets_sone=[1.0]), "either levels or"),
        (MatchJob(cooler=FJORD, targets_db=[40.0, 40.0]), "asked twice"),
        (MatchJob(cooler=FJORD, curve_points=3, pump_follows=True), "sets the pump itself"),
        (SweepJob(cooler=FJORD, pump_follows=True, pump_duty_percent=50.0), "either held or"),
        (SweepJob(cooler="Nobody 1"), "has no cooler 'Nobody 1'"),
    ):
        with pytest.raises(InputError, match=words):
            lab.queue.add(wrong, "anna")
    assert lab.queue.active() == ()


def test_without_a_bench_there_is_sound_but_no_match(tmp_path):
    """Calibration, floor and live view need no bench, and no floor is checked by itself."""
    lab = LabOnTest(tmp_path, room=Room(bench=False))
    with closing(lab.lab):
        lab.calibrate()
        lab.lab.look_after()
        assert lab.queue.active() == ()
        done = lab.hear_floor()
        assert lab.lab.archive.floors.get(done.results[0].id).document.turning_rpm is None
        assert lab.lab.status().bench is None
        with pytest.raises(SettingsError, match="No bench is configured"):
            lab.queue.add(MatchJob(cooler=FJORD), "anna")


def test_two_labs_never_share_a_queue(tmp_path):
    """A second one on the same data folder is refused, and welcome when the first has ended."""
    refused = pytest.raises(SettingsError, match="Another lab is served with the data folder")
    with open_demo_lab(Settings(), tmp_path, speed=None), refused:
        open_demo_lab(Settings(), tmp_path, speed=None)
    with open_demo_lab(Settings(), tmp_path, speed=None) as again:
        assert len(again.archive.coolers.list().items) == 6


def test_kept_sound_is_known_to_the_archive_with_its_job(tmp_path):
    """Sound in the data folder is one of the results of the measurement that heard it."""
    lab = LabOnTest(tmp_path, keep=tmp_path / "sounds")
    with closing(lab.lab):
        calibration = lab.calibrate()
        sound = next(result for result in calibration.results if result.kind == "sound")
        kept = lab.lab.archive.sounds.get(sound.id)

        assert kept.record.job == calibration.id
        assert kept.record.duration_s == pytest.approx(3.5, abs=0.3)


def test_which_calibration_counted_when_is_kept(lab):
    """Each change of the calibration in force is an event that names it with its factor."""
    made = [lab.calibrate()]
    lab.room.gain = 2.0
    made.append(lab.calibrate())

    events = lab.lab.archive.events.list(kind="calibration-in-force").items
    for event, job in zip(reversed(events), made, strict=True):
        record = lab.lab.archive.calibrations.get(job.results[0].id).record
        assert record.id in event.what
        assert f"{record.pascal_per_unit:.6g} Pa per unit" in event.what


def test_the_end_comes_in_order_and_twice_does_no_harm(lab):
    """A measurement that runs ends first, and its state is in the archive that closes last."""
    job = lab.queue.add(FloorJob(seconds=3600.0), "anna")
    lab.until(job, "running", "failed")
    lab.lab.close()
    lab.lab.close()

    again = LabOnTest(lab.folder)
    with closing(again.lab):
        assert again.queue.get(job.id).state in ("interrupted", "failed")
