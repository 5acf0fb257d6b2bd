"""An archive of jobs in memory, and somebody who measures by the book of a test."""

import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from sound_doubles import WAIT_S

from service.errors import NotKept, StorageError
from service.jobs.measuring import JobOutcome
from service.records.lab import JobRecord
from service.records.paging import Page

START = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


class Clock:
    """A clock that tests turn by hand."""

    def __init__(self):
        self.now = START

    def __call__(self):
        """Return the time."""
        return self.now

    def pass_by(self, **time):
        """Let time pass."""
        self.now += timedelta(**time)


class MemoryArchive:
    """Jobs in memory."""

    def __init__(self):
        self.jobs, self.fails, self.saves = {}, False, 0

    def add(self, *, kind, request, who):
        """Take up a job."""
        places = [job.position for job in self.jobs.values() if job.position is not None]
        record = JobRecord(
            id=f"job{len(self.jobs) + 1}",
            kind=kind,
            state="queued",
            who=who,
            request=dict(request),
            created=START + timedelta(seconds=len(self.jobs)),
            position=max(places, default=-1) + 1,
        )
        self.jobs[record.id] = record
        return record

    def save(self, job):
        """Write down a job."""
        if self.fails:
            raise StorageError("The disk is full.")
        self.saves += 1
        before = self.get(job.id)
        place = None if job.position is None else before.position
        self.jobs[job.id] = replace(job, position=place)

    def order(self, ids):
        """Put those that wait in order."""
        for job in self.jobs.values():
            place = ids.index(job.id) if job.id in ids else None
            self.jobs[job.id] = replace(job, position=place)

    def get(self, id):  # noqa: A002 - the archive's word for it
        """Return a job."""
        if id not in self.jobs:
            raise NotKept(f"There is no job {id!r} in the archive.")
        return self.jobs[id]

    def waiting(self):
        """Return those that wait."""
        found = [job for job in self.jobs.values() if job.position is not None]
        return tuple(sorted(found, key=lambda job: job.position))

    def list(self, *, states=None, limit=50, before=None):  # noqa: ARG002
        """List jobs, newest first."""
        found = [job for job in self.jobs.values() if states is None or job.state in states]
        return Page(tuple(sorted(found, key=lambda job: job.created, reverse=True)[:limit]), None)


class Somebody:
    """Measures until told how it ends; what a person has to do is told by cooler."""

    def __init__(self):
        self.begun, self.order, self.hands = {}, [], {}
        self.asks, self.mounted, self.refuses = {}, [], None
        self._ends = {}
        self._lock = threading.Lock()

    def _key(self, request):
        return getattr(request, "cooler", request.kind)

    def check(self, request):  # noqa: ARG002
        """Refuse if the test says so."""
        if self.refuses is not None:
            raise self.refuses

    def wants(self, request):
        """Ask a person if the test says so, until it was done once."""
        return self.asks.get(self._key(request))

    def person_did(self, request):
        """Remember it."""
        self.mounted.append(self._key(request))

    def measure(self, request, hand):
        """Wait for the end that the test gives, or to be halted."""
        key = self._key(request)
        self.order.append(key)
        self.hands[key] = hand
        box = self._box(key)
        hand.on_halt(box.put_end)
        self.event(key).set()
        return box.take_end()

    def event(self, key):
        """Return what is set when a measurement begins."""
        with self._lock:
            return self.begun.setdefault(key, threading.Event())

    def _box(self, key):
        with self._lock:
            return self._ends.setdefault(key, _End())

    def ends(self, key, end=None):
        """Let a measurement end, by an outcome or an error; also before it begins."""
        self._box(key).put_end(end or JobOutcome("done"))

    def has_begun(self, key):
        """Wait for a measurement to begin."""
        return self.event(key).wait(WAIT_S)


class _End:
    """How a measurement ends, once that is known."""

    def __init__(self):
        self._known, self._end = threading.Event(), None

    def put_end(self, end):
        self._end = end
        self._known.set()

    def take_end(self):
        assert self._known.wait(WAIT_S)
        self._known.clear()
        if isinstance(self._end, Exception):
            raise self._end
        return self._end
