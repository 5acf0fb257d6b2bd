"""Several targets and coolers from the command line, and a match whose process is killed."""

import json
import subprocess
import threading
from contextlib import contextmanager

from bench_doubles import HandClock
from end_to_end.conftest import EVENHUSH

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.storage.simulated_benches import announce_bench

LONGEST_WAIT_S = 20.0


class Gate:
    """Sound of a simulated bench that a test can hold back."""

    def __init__(self):
        self.open = threading.Event()
        self.open.set()

    def source(self, plant, position):
        """Give the microphone at a position behind the gate."""
        gate = self.open

        class Gated(SimulatedSource):
            def read(self, frames):
                gate.wait(LONGEST_WAIT_S)
                return super().read(frames)

        return Gated(plant, position=position, name="simulated:south")


@contextmanager
def held_bench(data_folder):
    """Serve a bench whose sound a test holds back and whose lease lapses by a hand-turned clock."""
    plant, gate, clock = Plant(COOLERS["Lagoon 240"], seed=7), Gate(), HandClock()
    guard = BenchGuard(SimulatedBench(plant, name="south"), clock=clock)
    with BenchServer(guard, sound=lambda position: gate.source(plant, position)) as server:
        announce_bench(data_folder, "south", server.url)
        yield server.url, guard, gate, clock


def match_words(url, *more):
    """What is typed for a match on that bench."""
    return (
        "match",
        "--bench",
        url,
        "--input",
        "simulated:south",
        "--cooler",
        "Lagoon 240",
        *more,
    )


def test_several_targets_are_one_array_in_the_order_asked(evenhush, simulated_bench, tmp_path):
    """The exit code is 1 as one of them is out of reach, and each has its file."""
    url, _ = simulated_bench("south", "Lagoon 240")
    evenhush("calibrate", "--input", "simulated:south", "--seconds", 4)
    targets = ("--target-db", 38, "--target-db", 75, "--target-db", 42)
    ran = evenhush(*match_words(url, *targets, "--out", "l.json", "--json"))

    assert ran.code == 1
    assert [document["target"]["LAeq_db"] for document in ran.json] == [38, 75, 42]
    outcomes = [document["coolers"][0]["outcome"] for document in ran.json]
    assert outcomes == ["matched", "quieter-at-full-speed", "matched"]
    assert json.loads((tmp_path / "l-42db.json").read_text()) == ran.json[2]


def test_coolers_are_mounted_at_the_press_of_enter(evenhush, simulated_bench, tmp_path):
    """Without anybody there: exit 1, the first cooler written; later Enter goes on from there."""
    url, _ = simulated_bench("south", "Lagoon 240")
    evenhush("calibrate", "--input", "simulated:south", "--seconds", 4)
    words = match_words(url, "--cooler", "Other", "--out", "l.json", "--json")
    nobody = evenhush(*words)
    written = json.loads((tmp_path / "l.json").read_text())
    somebody = subprocess.run(
        [str(EVENHUSH), *words],
        input="\n",
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        timeout=120,
    )

    assert nobody.code == 1
    assert "mount Other" in nobody.err
    assert nobody.json == written
    assert [part["cooler"] for part in written["coolers"]] == ["Lagoon 240"]
    assert somebody.returncode == 0
    first, second = json.loads(somebody.stdout)["coolers"]
    assert first == written["coolers"][0]
    assert (second["cooler"], second["outcome"]) == ("Other", "matched")


def test_after_a_kill_the_next_match_goes_on(evenhush, tmp_path):
    """The lease lapses by itself, and what the killed match heard saves settings."""
    with held_bench(tmp_path / "evenhush-data") as (url, guard, gate, clock):
        evenhush("calibrate", "--input", "simulated:south", "--seconds", 4)
        words = match_words(url, "--target-db", 40)
        # It goes on trimming for long, as hardly any cooler holds so narrow a tolerance.
        narrow = [str(EVENHUSH), *map(str, words), "--tolerance-db", "0.05"]
        killed = subprocess.Popen(narrow, stderr=subprocess.PIPE, text=True, cwd=tmp_path)
        moves = 0
        for line in killed.stderr:
            moves += "going to" in line
            if moves == 3:
                gate.open.clear()
                break
        killed.kill()
        killed.wait(LONGEST_WAIT_S)
        killed.stderr.close()
        gate.open.set()
        held = guard.state().control
        clock.now_s += 20.0
        after = guard.state().control
        again = evenhush(*words, "--json")
        fresh = evenhush(*words, "--json", "--fresh")

    assert (held, after) == ("leased", "own")
    assert (again.code, fresh.code) == (0, 0)
    assert "broke off" in again.err
    assert "broke off" not in fresh.err
    visited = [ran.json["coolers"][0]["settings_visited"] for ran in (again, fresh)]
    assert visited[0] < visited[1]
