"""Killing a lab at random moments, and looking at what is left: for a test, and for a benchmark.

The bench is the simulated one, in the process of whoever kills; its clock is moved on by hand, so
that leases lapse without anybody waiting for them.
"""

import contextlib
import os
import subprocess
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import numpy as np
from bench_doubles import HandClock

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.storage.archive import Archive
from service.storage.checking import check_archive
from service.storage.simulated_benches import announce_bench

__all__ = ["KillReport", "kill_labs"]

TESTS = Path(__file__).parent
COOLER = "Moor 120"
LAPSE_S = 20.0
"""Longer than any lease."""


@dataclass
class KillReport:
    """What was found after the kills."""

    kills: int = 0
    leased: int = 0
    """How often the lab held the bench when it was killed."""
    broke: int = 0
    """How often a measurement was under way."""
    confirmed: int = 0
    """Coolers, jobs and results that the lab had told of before it was killed."""
    lost: list[str] = field(default_factory=list)
    """Those that were not there afterwards."""
    damage: list[str] = field(default_factory=list)
    """What the look through the archive found."""
    unsafe: list[str] = field(default_factory=list)
    """Kills after which the bench did not come back under its own control."""


def kill_labs(folder, kills, *, seed, latest_s=3.0):
    """Start a lab, let it work, kill it, and look at what is left, over and over.

    Parameters
    ----------
    folder : Path
        Data folder; one for all kills, so that each lab takes up what the one before left.
    kills : int
        How many.
    seed : int
        Seed of the moments.
    latest_s : float, optional
        Longest time from a lab's first answers to its end, in seconds.

    Returns
    -------
    KillReport
        What was found.
    """
    rng = np.random.default_rng(seed)
    clock = HandClock()
    plant = Plant(COOLERS[COOLER], seed=4)
    guard = BenchGuard(SimulatedBench(plant, name="south"), clock=clock)

    def sound(position):
        return SimulatedSource(plant, position=position, name="simulated:south")

    report, told = KillReport(), _Told()
    with BenchServer(guard, sound=sound) as server:
        announce_bench(folder, "south", server.url)
        for number in range(kills):
            _work_and_die(folder, server.url, number, float(rng.uniform(0.0, latest_s)), told)
            report.kills += 1
            report.leased += guard.state().control == "leased"
            clock.now_s += LAPSE_S
            if (control := guard.state().control) != "own":
                report.unsafe.append(f"kill {number}: {control}")
            _look(folder, told, report)
    report.confirmed = len(told.coolers) + len(told.jobs) + len(told.results)
    return report


class _Told:
    """What labs have told of."""

    def __init__(self):
        self.coolers, self.jobs, self.results = set(), set(), {}


def _work_and_die(folder, bench, number, moment_s, told):
    """Start a lab, ask it for measurements and things to keep, and kill it at some moment."""
    lab = subprocess.Popen(
        [sys.executable, TESTS / "serves_until_killed.py", folder, "south", bench],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": f"{TESTS}{os.pathsep}{TESTS.parent}"},
    )
    killer = threading.Timer(moment_s, lab.kill)
    try:
        url = lab.stdout.readline().strip()
        with httpx.Client(base_url=f"{url}/api/v1", timeout=10.0) as ask:
            _begin(ask, told)
            killer.start()
            with contextlib.suppress(httpx.TransportError):  # it is dead
                _go_on(ask, number, told)
    finally:
        killer.cancel()
        lab.kill()
        lab.wait()
        lab.stdout.close()


def _begin(ask, told):
    """Have something measured by the time it dies: what broke goes on, or a match begins anew."""
    jobs = ask.get("/jobs", params={"limit": 20}).json()["items"]
    broken = [job for job in jobs if job["state"] == "interrupted"][:1]
    for job in broken:
        told.jobs.add(ask.post(f"/jobs/{job['id']}/go-on").json()["id"])
    if not ask.get("/calibrations").json()["items"] and not broken:
        told.jobs.add(ask.post("/calibrations", json={"seconds": 2.0}).json()["id"])
    if not any(job["ended"] is None for job in ask.get("/queue").json()["items"][1:]):
        asked = {"kind": "match", "cooler": COOLER, "targets_db": [45.0, 36.0, 33.0]}
        told.jobs.add(ask.post("/jobs", json=asked).json()["id"])


def _go_on(ask, number, told):
    """Do what jobs ask of a person, register coolers, and note all that is told, until it dies."""
    pause = threading.Event()
    for count in range(10_000):
        for job in ask.get("/queue").json()["items"]:
            if job["state"] == "waiting-for-person":
                ask.post(f"/jobs/{job['id']}/go-on")
            told.results |= {result["id"]: result["kind"] for result in job["results"]}
        made = ask.post("/coolers", json={"cooler": f"Cooler {number}.{count}"})
        told.coolers.add(made.json()["record"]["id"])
        if not ask.get("/queue").json()["items"]:
            asked = {"kind": "floor", "seconds": 6.0}
            told.jobs.add(ask.post("/jobs", json=asked).json()["id"])
        pause.wait(0.02)


def _look(folder, told, report):
    """Look through what is left."""
    with Archive(folder) as archive:
        # A file may be written that nothing refers to yet, and never the other way round.
        report.damage += [
            f"{finding.kind}: {finding.what}"
            for finding in check_archive(archive).findings
            if finding.kind != "unknown-file"
        ]
        jobs = {}
        page = archive.jobs.list(limit=200)
        while True:
            jobs |= {job.id: job.state for job in page.items}
            if page.next is None:
                break
            page = archive.jobs.list(limit=200, before=page.next)
        coolers = _ids_of(archive.coolers)
        kept = _ids_of(archive.matches) | _ids_of(archive.floors) | _ids_of(archive.calibrations)
        report.broke += any(state == "running" for state in jobs.values())
        report.lost += sorted(told.coolers - coolers)
        report.lost += sorted(told.jobs - set(jobs))
        report.lost += sorted(set(told.results) - kept)


def _ids_of(kind):
    """Return the ids of everything of a kind."""
    found, before = set(), None
    while True:
        page = kind.list(limit=200, before=before)
        found |= {entry.id for entry in page.items}
        before = page.next
        if before is None:
            return found
