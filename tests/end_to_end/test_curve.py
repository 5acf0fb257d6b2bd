"""Pairs of fan and pump speed from the command line, on a simulated loop whose level is known."""

import csv
import json
from contextlib import contextmanager

import pytest

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.simulation.truth import cooler_level_db
from service.storage.simulated_benches import announce_bench

PAIRS = ("--curve-pump-percent", 90, "--curve-pump-percent", 50)


@pytest.fixture
def data(tmp_path, monkeypatch):
    """A data folder for the command and for the test that serves the bench."""
    monkeypatch.setenv("EVENHUSH_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


@contextmanager
def served(data_folder, cooler):
    """Serve a simulated bench; gives its URL."""
    plant = Plant(COOLERS[cooler], seed=7)
    guard = BenchGuard(SimulatedBench(plant, name="south"))

    def sound(position):
        return SimulatedSource(plant, position=position, name="simulated:south")

    with BenchServer(guard, sound=sound) as server:
        announce_bench(data_folder, "south", server.url)
        yield server.url


def match_words(url, cooler, *more):
    """What is typed for a match on that bench."""
    words = ("match", "--bench", url, "--input", "simulated:south", "--cooler", cooler)
    return (*words, *more)


def test_a_loop_is_matched_at_two_pump_duties(evenhush, data, tmp_path):
    """Every pair truly makes the target; document, table, pictures and trail are written."""
    with served(data, "Lagoon 240") as url:
        assert evenhush("calibrate", "--input", "simulated:south", "--seconds", 4).code == 0
        words = match_words(url, "Lagoon 240", *PAIRS, "--out", "l.json", "--json")
        ran = evenhush(*words)

    assert ran.code == 0
    (part,) = ran.json["coolers"]
    assert [pair["pump_duty_percent"] for pair in part["curve"]] == [50.0, 90.0]
    for pair in part["curve"]:
        duties = {name: setting["duty_percent"] for name, setting in pair["settings"].items()}
        assert pair["outcome"] == "matched"
        assert cooler_level_db(COOLERS["Lagoon 240"], duties) == pytest.approx(40.0, abs=0.4)
        assert pair["level"]["LAeq_db"] == pytest.approx(40.0, abs=0.3)
        assert 0.05 < pair["level"]["U95_db"] < 0.6
    assert part["settings"] == part["curve"][1]["settings"]
    rows = list(csv.DictReader((tmp_path / "l.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["pump_duty_percent"] for row in rows] == ["50.0", "90.0"]
    assert (tmp_path / "l-pairs.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "l-pairs.svg").exists()
    header = json.loads((tmp_path / "l.trail.jsonl").read_text(encoding="utf-8").splitlines()[0])
    assert header["pump_percents"] == [90.0, 50.0]
    again = evenhush("replay", "l.trail.jsonl")
    assert again.code == 0
    assert "the recorded result is the same" in again.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--curve",), "The bench south has no pump"),
        (("--curve-pump-percent", 40, "--curve-pump-percent", 60), "has no pump"),
        (("--curve", "--pump-follows"), "--curve sets the pump itself"),
        (("--curve-points", 3, "--pump-duty-percent", 80), "--curve sets the pump itself"),
        (("--curve-points", 3, "--curve-pump-percent", 40), "not both"),
        (("--curve-points", 1), "--curve-points"),
        (("--detune-percent", 2), "one fan only"),
        (("--detune-percent", 6), "--detune-percent"),
    ],
)
def test_what_cannot_be_done_is_refused(evenhush_here, data, tmp_path, words, said):
    """One sentence, exit 2, nothing written, and the bench was never taken."""
    with served(data, "Fjord 140") as url:
        tone = ("calibrate", "--input", "simulated:south", "--seconds", 2)
        assert evenhush_here(tmp_path, *tone).code == 0
        ran = evenhush_here(tmp_path, *match_words(url, "Fjord 140", *words, "--out", "f.json"))

    assert ran.code == 2
    assert said in ran.sentence
    assert "Traceback" not in ran.err
    assert not list(tmp_path.glob("f*"))
