"""Several targets and coolers from the command line, and a match whose process is killed."""

import io
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
    """Sound of a simulated bench that stops coming after a time, until a test lets it go on."""

    def __init__(self, plant):
        self.plant = plant
        self.closes_at_s = None
        self.reached, self.open = threading.Event(), threading.Event()

    def source(self, position):
        """Give the microphone at a position behind the gate."""
        gate = self

        class Gated(SimulatedSource):
            def read(self, frames):
                drawn_s = gate.plant.frames_drawn / gate.plant.rate_hz
                if gate.closes_at_s is not None and drawn_s > gate.closes_at_s:
                    gate.reached.set()
                    gate.open.wait(LONGEST_WAIT_S)
                return super().read(frames)

        return Gated(self.plant, position=position, name="simulated:south")

    def close_in(self, seconds):
        """Let so much more sound through."""
        self.closes_at_s = self.plant.frames_drawn / self.plant.rate_hz + seconds


@contextmanager
def held_bench(data_folder):
    """Serve a bench whose sound a test holds back and whose lease lapses by a hand-turned clock."""
    plant, clock = Plant(COOLERS["Lagoon 240"], seed=7), HandClock()
    gate = Gate(plant)
    guard = BenchGuard(SimulatedBench(plant, name="south"), clock=clock)
    with BenchServer(guard, sound=gate.source) as server:
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


def test_several_targets_are_one_array_in_the_order_asked(evenhush_here, simulated_bench, tmp_path):
    """The exit code is 1 as one of them is out of reach, and each has its file."""
    url, _ = simulated_bench("south", "Lagoon 240")
    evenhush_here(tmp_path, "calibrate", "--input", "simulated:south", "--seconds", 4)
    targets = ("--target-db", 38, "--target-db", 75, "--target-db", 42)
    ran = evenhush_here(tmp_path, *match_words(url, *targets, "--out", "l.json", "--json"))

    assert ran.code == 1
    assert [document["target"]["LAeq_db"] for document in ran.json] == [38, 75, 42]
    outcomes = [document["coolers"][0]["outcome"] for document in ran.json]
    assert outcomes == ["matched", "quieter-at-full-speed", "matched"]
    assert json.loads((tmp_path / "l-42db.json").read_text()) == ran.json[2]


def test_coolers_are_mounted_at_the_press_of_enter(
    evenhush_here, simulated_bench, tmp_path, monkeypatch
):
    """Without anybody there: exit 1, the first cooler written; later Enter goes on from there."""
    url, _ = simulated_bench("south", "Lagoon 240")
    evenhush_here(tmp_path, "calibrate", "--input", "simulated:south", "--seconds", 4)
    words = match_words(url, "--cooler", "Other", "--out", "l.json", "--json")
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    nobody = evenhush_here(tmp_path, *words)
    written = json.loads((tmp_path / "l.json").read_text())
    monkeypatch.setattr("sys.stdin", io.StringIO("\n"))
    somebody = evenhush_here(tmp_path, *words)

    assert nobody.code == 1
    assert "mount Other" in nobody.err
    assert nobody.json == written
    assert [part["cooler"] for part in written["coolers"]] == ["Lagoon 240"]
    assert somebody.code == 0
    first, second = somebody.json["coolers"]
    assert first == written["coolers"][0]
    assert (second["cooler"], second["outcome"]) == ("Other", "matched")


def test_after_a_kill_the_next_match_goes_on(evenhush_here, tmp_path):
    """The lease lapses by itself, and the next match uses what the killed one heard."""
    with held_bench(tmp_path / "evenhush-data") as (url, guard, gate, clock):
        evenhush_here(tmp_path, "calibrate", "--input", "simulated:south", "--seconds", 4)
        words = match_words(url, "--target-db", 40)
        # So narrow a tolerance takes minutes of sound: it is in the middle of that when it dies.
        gate.close_in(40.0)
        killed = subprocess.Popen(
            [str(EVENHUSH), *map(str, words), "--tolerance-db", "0.05"],
            stderr=subprocess.DEVNULL,
            cwd=tmp_path,
        )
        reached = gate.reached.wait(3 * LONGEST_WAIT_S)
        killed.kill()
        killed.wait(LONGEST_WAIT_S)
        gate.open.set()
        held = guard.state().control
        clock.now_s += 20.0
        after = guard.state().control
        again = evenhush_here(tmp_path, *words, "--json")
        fresh = evenhush_here(tmp_path, *words, "--json", "--fresh")

    assert reached
    assert (held, after) == ("leased", "own")
    assert (again.code, fresh.code) == (0, 0)
    assert "broke off" in again.err
    assert "broke off" not in fresh.err
