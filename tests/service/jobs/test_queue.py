"""Tests of the queue of measurements."""

import threading
from dataclasses import replace

import pytest
from queue_doubles import START, Clock, MemoryArchive, Somebody

from acoustic.errors import InputError
from service.documents.jobs import FloorJob, MatchJob, SweepJob
from service.errors import CaptureError, NotKept, SafetyStop, StorageError, WrongJobState
from service.jobs.job_views import LevelPoint
from service.jobs.measuring import JobOutcome
from service.jobs.queue import JobQueue


class Lab:
    """A queue with everything around it, which ends with the test."""

    def __init__(self, archive=None):
        self.archive = archive or MemoryArchive()
        self.somebody, self.clock, self.events = Somebody(), Clock(), []
        self.queue = JobQueue(
            self.archive,
            self.somebody,
            now=self.clock,
            note=lambda *event: self.events.append(event),
        )

    def start(self):
        """Begin."""
        self.queue.start()
        return self

    def until(self, job, state):
        """Wait until a job is in a state, and return it."""
        for _ in range(2000):
            view = self.queue.get(job.id)
            if view.state == state:
                return view
            threading.Event().wait(0.005)
        raise AssertionError(f"{job.id} is {view.state} and not {state}")


@pytest.fixture
def lab():
    """Make a lab that ends."""
    made = Lab().start()
    yield made
    made.queue.close()


def test_jobs_are_done_one_after_the_other_in_their_order(lab):
    """The next begins when the one before has ended; each keeps how it ended."""
    first = lab.queue.add(FloorJob(), "anna")
    assert lab.somebody.has_begun("floor")
    second = lab.queue.add(MatchJob(cooler="A"), "anna")
    third = lab.queue.add(MatchJob(cooler="B"), "anna", position=0)
    views = [lab.queue.get(job.id) for job in (first, second, third)]
    assert [view.state for view in views] == ["running", "queued", "queued"]
    assert [view.position for view in views] == [None, 1, 0]

    lab.somebody.ends("B", JobOutcome("refused", "It is too loud."))
    lab.somebody.ends("A")
    lab.somebody.ends("floor")

    assert lab.until(second, "done").ended == START
    assert lab.until(third, "refused").why == "It is too loud."
    assert lab.somebody.order == ["floor", "B", "A"]
    assert lab.queue.active() == ()
    assert [view.id for view in lab.queue.list().items] == ["job3", "job2", "job1"]


def test_a_job_waits_for_a_person_and_says_for_what(lab):
    """Nothing is measured before somebody says that it is mounted."""
    lab.somebody.asks["A"] = "Mount A, then continue."
    job = lab.queue.add(MatchJob(cooler="A"), "anna")

    waiting = lab.until(job, "waiting-for-person")
    assert waiting.wants == "Mount A, then continue."
    assert lab.queue.current == waiting
    assert lab.somebody.order == []

    running = lab.queue.go_on(job.id, "anna")
    assert (running.state, running.wants) == ("running", None)
    assert lab.somebody.mounted == ["A"]
    lab.somebody.ends("A")
    lab.until(job, "done")


def test_one_that_waits_for_a_person_lets_another_go_before(lab):
    """A calibration can be put before a cooler that is not mounted yet."""
    lab.somebody.asks["A"] = "Mount A."
    job = lab.queue.add(MatchJob(cooler="A"), "anna")
    lab.until(job, "waiting-for-person")

    floor = lab.queue.add(FloorJob(), "anna", position=0)
    assert lab.somebody.has_begun("floor")
    assert lab.queue.get(job.id).state == "queued"
    lab.somebody.ends("floor")

    lab.until(floor, "done")
    assert lab.until(job, "waiting-for-person").wants == "Mount A."


def test_what_a_person_cannot_do_is_told_and_the_job_waits_on(lab):
    """A cooler that cannot be mounted is an error of whoever said so, not of the job."""
    lab.somebody.asks["A"] = "Mount A."
    job = lab.queue.add(MatchJob(cooler="A"), "anna")
    lab.until(job, "waiting-for-person")

    def cannot(_request):
        raise InputError("There is no A.")

    lab.somebody.person_did = cannot

    with pytest.raises(InputError, match="There is no A"):
        lab.queue.go_on(job.id, "anna")
    assert lab.queue.get(job.id).state == "waiting-for-person"


def test_pausing_frees_the_bench_and_resuming_goes_on(lab):
    """A paused job lets the next one run, and comes next when it is resumed."""
    first = lab.queue.add(MatchJob(cooler="A"), "anna")
    second = lab.queue.add(MatchJob(cooler="B"), "anna")
    assert lab.somebody.has_begun("A")

    paused = lab.queue.pause(first.id, "bert")
    assert (paused.state, paused.why) == ("paused", "Paused by bert.")
    assert lab.somebody.has_begun("B")
    assert [view.id for view in lab.queue.active()] == [second.id, first.id]
    assert lab.queue.resume(first.id, "bert").position == 0

    lab.somebody.event("A").clear()
    lab.somebody.ends("B")
    assert lab.somebody.has_begun("A")
    lab.somebody.ends("A")
    done = lab.until(first, "done")
    assert done.started == START


@pytest.mark.parametrize("state", ["queued", "waiting-for-person", "running", "paused"])
def test_a_job_can_be_stopped_whatever_it_does(lab, state):
    """Whatever state a job is in, a stop ends it, and says by whom."""
    lab.somebody.asks = {"A": "Mount A."} if state == "waiting-for-person" else {}
    if state == "queued":
        lab.queue.add(FloorJob(), "anna")
    job = lab.queue.add(MatchJob(cooler="A"), "anna")
    if state == "paused":
        lab.queue.pause(job.id, "anna")
    lab.until(job, state)

    stopped = lab.queue.stop(job.id, "bert")

    assert (stopped.state, stopped.why) == ("stopped", "Stopped by bert.")
    assert lab.archive.get(job.id).state == "stopped"
    with pytest.raises(WrongJobState, match="match is stopped and cannot be stopped"):
        lab.queue.stop(job.id, "bert")


@pytest.mark.parametrize(
    ("error", "state"),
    [
        (CaptureError("The cable was pulled."), "failed"),
        (SafetyStop("Too hot."), "stopped"),
        (ZeroDivisionError("oh"), "failed"),
    ],
)
def test_what_cannot_be_done_says_why_and_can_be_gone_on_with(lab, error, state):
    """An error ends one job with a sentence and no other; the job can be taken up again."""
    job = lab.queue.add(MatchJob(cooler="A"), "anna")
    after = lab.queue.add(FloorJob(), "anna")
    lab.somebody.ends("A", error)
    assert str(error) in lab.until(job, state).why
    assert lab.somebody.has_begun("floor")
    assert lab.events[0][:2] == (f"job-{state}", "anna")

    again = lab.queue.go_on(job.id, "bert")
    assert (again.state, again.why, again.ended, again.position) == ("queued", None, None, 0)
    lab.somebody.ends("floor")
    lab.until(after, "done")
    lab.somebody.ends("A")
    lab.until(job, "done")


def test_a_retake_is_a_new_job_that_comes_next(lab):
    """What runs is stopped, and the same is asked anew, with nothing of what was learned."""
    running = lab.queue.add(MatchJob(cooler="A", targets_db=[35.0]), "anna")
    lab.queue.add(FloorJob(), "anna")
    assert lab.somebody.has_begun("A")
    lab.somebody.event("A").clear()

    again = lab.queue.retake(running.id, "bert")

    assert lab.queue.get(running.id).state == "stopped"
    assert again.request == MatchJob(cooler="A", targets_db=[35.0], fresh=True)
    assert lab.somebody.has_begun("A")
    assert lab.queue.get(again.id).state == "running"


def test_those_that_wait_can_be_put_in_another_order(lab):
    """A place counts among those that wait; what runs stays."""
    jobs = [lab.queue.add(SweepJob(cooler=name), "anna") for name in "XABC"]
    assert lab.somebody.has_begun("X")

    moved = lab.queue.move(jobs[3].id, 0, "anna")

    assert moved.position == 0
    assert [view.cooler for view in lab.queue.active()] == ["X", "C", "A", "B"]
    assert [job.id for job in lab.archive.waiting()] == [jobs[3].id, jobs[1].id, jobs[2].id]
    with pytest.raises(WrongJobState, match="sweep is running and cannot be moved"):
        lab.queue.move(jobs[0].id, 0, "anna")


def test_progress_is_seen_at_once_and_kept_now_and_then(lab):
    """Remarks and points are there without waiting for the disk, which hears of them every 5 s."""
    job = lab.queue.add(MatchJob(cooler="A"), "anna")
    assert lab.somebody.has_begun("A")
    hand = lab.somebody.hands["A"]
    saves = lab.archive.saves

    hand.tell("listening")
    hand.aim(40.0)
    hand.show((LevelPoint(0, 50.0, 900.0, None, 39.0, 0.4, 3.0),))
    assert lab.archive.saves == saves
    progress = lab.queue.get(job.id).progress
    assert (progress.words, progress.target_db) == ("listening", 40.0)
    assert progress.points[0].fan_rpm == 900.0

    lab.clock.pass_by(seconds=6)
    hand.share(0.5)
    hand.has_put("match", "m1")
    assert lab.archive.get(job.id).progress["share"] == 0.5
    assert lab.archive.get(job.id).results[0].id == "m1"
    lab.somebody.ends("A")
    done = lab.until(job, "done")
    assert done.progress.remarks == ("listening",)
    assert [(result.kind, result.id) for result in done.results] == [("match", "m1")]


def test_a_restart_takes_everything_up(lab):
    """What ran stands as interrupted, what waited waits in its order, what rests rests."""
    running = lab.queue.add(MatchJob(cooler="A"), "anna")
    assert lab.somebody.has_begun("A")
    waiting = [lab.queue.add(SweepJob(cooler=name), "anna") for name in "BC"]
    paused = lab.queue.add(FloorJob(), "anna")
    lab.queue.move(waiting[1].id, 0, "anna")
    lab.queue.pause(paused.id, "anna")
    lab.somebody.hands["A"].tell("almost there")
    lab.queue.close()
    lab.queue.close()

    again = Lab(lab.archive)
    again.somebody.asks = {"C": "Mount C."}
    again.start()
    try:
        broken = again.queue.get(running.id)
        assert (broken.state, broken.progress.words) == ("interrupted", "almost there")
        assert again.until(waiting[1], "waiting-for-person").wants == "Mount C."
        assert again.queue.get(waiting[0].id).position == 1
        assert again.queue.get(paused.id).state == "paused"
        assert again.queue.go_on(running.id, "anna").position == 0
        assert again.somebody.has_begun("A")
    finally:
        again.queue.close()


def test_a_killed_program_leaves_its_job_interrupted(lab):
    """What the archive says is running, while nobody runs it, broke off; and there is an event."""
    job = lab.archive.add(kind="floor", request=FloorJob().model_dump(mode="json"), who="anna")
    lab.queue.close()
    lab.archive.jobs[job.id] = replace(job, state="running", position=None)

    again = Lab(lab.archive).start()
    again.queue.close()

    assert again.queue.get(job.id).state == "interrupted"
    assert "can be gone on with" in again.queue.get(job.id).why
    assert again.events[0][0] == "job-interrupted"


def test_a_job_of_another_version_ends_and_harms_no_other(lab):
    """A request that is not understood any more is said so, and the queue goes on."""
    lab.queue.close()
    odd = lab.archive.add(kind="paint", request={"kind": "paint"}, who="anna")
    good = lab.archive.add(kind="floor", request=FloorJob().model_dump(mode="json"), who="anna")

    again = Lab(lab.archive).start()
    try:
        assert again.somebody.has_begun("floor")
        assert lab.archive.get(odd.id).state == "failed"
        assert "does not know" in lab.archive.get(odd.id).why
        again.somebody.ends("floor")
        again.until(good, "done")
    finally:
        again.queue.close()


def test_an_archive_that_fails_does_not_end_the_queue(lab):
    """A full disk costs the job at hand; with room again the next one is done."""
    lab.archive.fails = True
    with pytest.raises(StorageError, match="disk is full"):
        lab.queue.add(FloorJob(), "anna")
    lab.archive.fails = False

    lab.queue.add(MatchJob(cooler="B"), "anna")

    assert lab.somebody.has_begun("B")


def test_what_cannot_be_done_here_is_refused_before_it_waits(lab):
    """A request that does not fit leaves no job."""
    lab.somebody.refuses = InputError("There is no bench.")

    with pytest.raises(InputError, match="There is no bench"):
        lab.queue.add(FloorJob(), "anna")
    assert lab.archive.jobs == {}


def test_an_unknown_id_is_said_to_be_none(lab):
    """Every method says which id is unknown."""
    for method in (lab.queue.pause, lab.queue.resume, lab.queue.stop, lab.queue.go_on):
        with pytest.raises(NotKept, match="no job 'nobody'"):
            method("nobody", "anna")


def test_the_end_waits_for_the_measurement_to_let_go(lab):
    """When the queue is closed, what ran has ended, and its thread is gone."""
    job = lab.queue.add(MatchJob(cooler="A"), "anna")
    assert lab.somebody.has_begun("A")

    lab.queue.close()

    assert lab.archive.get(job.id).state == "interrupted"
    assert "evenhush-jobs" not in [thread.name for thread in threading.enumerate()]
