"""A lab on the simulated room, as fast as it goes, which looks after itself when a test says so."""

import threading
from datetime import timedelta

from sound_doubles import WAIT_S

from service.clock import utc_now
from service.documents.jobs import CalibrateJob, FloorJob
from service.settings import Settings
from service.storage.archive import Archive
from service.wiring.lab import Lab
from service.wiring.lab_demo import DemoEquipment


class MovedClock:
    """The time, which tests move forward."""

    def __init__(self):
        self.ahead = timedelta(0)

    def __call__(self):
        """Return the time."""
        return utc_now() + self.ahead


class Room(DemoEquipment):
    """A simulated room whose cable a test can pull, and whose gain it can turn."""

    def __init__(self, *, seed=4, bench=True):
        super().__init__(seed=seed, speed=None)
        self.pulled = None
        self.gain = 1.0
        if not bench:
            self.bench = None

    def read(self, frames):
        """Hear the room, louder or not at all."""
        if self.pulled is not None:
            raise self.pulled
        block = super().read(frames)
        if self.gain == 1.0:
            return block
        signal = type(block.signal)(block.signal.samples * self.gain, block.signal.rate_hz)
        return type(block)(signal, block.faults, block.channel_faults)


class LabOnTest:
    """A lab with what tests do with it."""

    def __init__(self, folder, *, room=None, keep=None, **serve):
        self.folder = folder
        self.clock = MovedClock()
        self.room = room or Room()
        settings = Settings.model_validate({"serve": serve, "keep": keep})
        self.lab = Lab(settings, folder, Archive(folder), self.room, now=self.clock, tick_s=None)
        self.lab.start()
        self.queue = self.lab.queue

    def until(self, job, *states):
        """Wait until a job is in one of some states, and return it."""
        pause = threading.Event()
        for _ in range(3000):
            view = self.queue.get(job.id)
            if view.state in states:
                return view
            pause.wait(0.01)
        raise AssertionError(f"{view.kind} is {view.state} ({view.why}) and not {states}")

    def until_said(self, job, words):
        """Wait until a job has made a remark."""
        pause = threading.Event()
        for _ in range(3000):
            view = self.queue.get(job.id)
            if any(words in remark for remark in view.progress.remarks):
                return view
            assert view.state in ("queued", "running", "waiting-for-person"), view
            pause.wait(0.01)
        raise AssertionError(f"{view.kind} did not say {words!r}: {view.progress.remarks}")

    def do(self, request, *, state="done"):
        """Ask for a measurement, do what it wants, and wait for its end."""
        job = self.queue.add(request, "anna")
        if self.until(job, "waiting-for-person", "done", "refused", "failed").wants:
            self.queue.go_on(job.id, "anna")
        return self.until(job, state)

    def calibrate(self):
        """Calibrate the microphone."""
        return self.do(CalibrateJob(seconds=3.0))

    def hear_floor(self):
        """Check the floor."""
        return self.do(FloorJob(seconds=10.0))

    def problems(self):
        """Look after the lab, and return what is wrong by kind."""
        self.lab.look_after()
        return {problem.kind: problem.text for problem in self.lab.status().problems}

    def frame(self):
        """Wait for the next live frame."""
        with self.lab.live.subscribe() as reader:
            return reader.take(WAIT_S)
