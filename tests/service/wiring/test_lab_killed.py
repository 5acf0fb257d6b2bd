"""Tests of a lab that is killed in the middle of a match."""

import os
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from bench_doubles import HandClock
from lab_doubles import LabOnTest, Room

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.storage.simulated_benches import announce_bench

TESTS = Path(__file__).parents[2]


def test_a_kill_leaves_the_archive_whole_and_the_bench_to_its_lease(tmp_path):
    """What was done is there, the match stands as interrupted, and its lease lapses by itself."""
    clock = HandClock()
    plant = Plant(COOLERS["Moor 120"], seed=4)
    guard = BenchGuard(SimulatedBench(plant, name="south"), clock=clock)

    def sound(position):
        return SimulatedSource(plant, position=position, name="simulated:south")

    with BenchServer(guard, sound=sound) as server:
        announce_bench(tmp_path, "south", server.url)
        lab = subprocess.Popen(
            [sys.executable, TESTS / "matches_until_killed.py", tmp_path, "south", server.url],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": f"{TESTS}{os.pathsep}{TESTS.parent}"},
        )
        try:
            assert lab.stdout.readline() == "ready\n"
            job_id = lab.stdout.readline().strip()
        finally:
            lab.kill()
            lab.wait()
            lab.stdout.close()
        held = guard.state().control
        clock.now_s += 20.0
        freed = guard.state().control

    assert (held, freed) == ("leased", "own")
    again = LabOnTest(tmp_path, room=Room())
    with closing(again.lab):
        broken = again.queue.get(job_id)
        assert broken.state == "interrupted"
        assert len(broken.results) == 1
        archive = again.lab.archive
        assert archive.matches.get(broken.results[0].id).record.target_db == 45.0
        assert archive.calibrations.latest("simulated:south") is not None
        assert archive.floors.list().items[0].input == "simulated:south"
        assert archive.events.list(kind="job-interrupted").items[0].what.startswith("A match broke")
