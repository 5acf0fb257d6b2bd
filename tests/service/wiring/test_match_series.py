"""Several targets and several coolers in a row on a simulated bench."""

import json
from dataclasses import replace

import pytest
from series_doubles import Bench, Somebody, requests

from calibration.goal import LoudnessTarget
from calibration.results import MatchRequest
from service.bench.client import BenchClient
from service.bench.serving import BenchServer
from service.errors import SettingsError
from service.simulation.truth import cooler_level_db
from service.wiring.series_plan import SeriesPlan


def test_targets_are_reached_under_one_lease_and_told_in_the_order_asked(bench):
    """Loud ones go first, one that cannot be reached ends nothing, and each has its own files."""
    somebody = Somebody()
    out = bench.folder / "fjord.json"

    series = bench.run(SeriesPlan(("Fjord 140",), requests(36, 80, 40.5), out), somebody)

    documents = series.documents()
    assert [document.target.LAeq_db for document in documents] == [36, 80, 40.5]
    outcomes = [document.coolers[0].outcome for document in documents]
    assert outcomes == ["matched", "quieter-at-full-speed", "matched"]
    for document in (documents[0], documents[2]):
        duties = {n: s.duty_percent for n, s in document.coolers[0].settings.items()}
        true_db = cooler_level_db(bench.plant.cooler, duties)
        assert true_db == pytest.approx(document.target.LAeq_db, abs=0.35)
    assert [text for text in somebody.said if "going for" in text] == [
        f"Fjord 140: going for {words}" for words in ("80db", "40.5db", "36db")
    ]
    assert bench.client.leases == 1
    assert bench.guard.state().control == "own"
    assert {path.name for path in bench.folder.glob("fjord*")} == {
        f"fjord-{target}.{ending}"
        for target in ("36db", "80db", "40.5db")
        for ending in ("json", "csv", "png", "svg", "trail.jsonl")
    }


def test_later_targets_start_from_what_the_earlier_ones_heard(bench):
    """The trail of the second holds the settings of the first, and the floor that was heard."""
    asked = tuple(replace(request, floor=None) for request in requests(42, 38))

    bench.run(SeriesPlan(("Fjord 140",), asked))

    first, second = sorted((bench.folder / "data" / "trails").iterdir())
    headers = [json.loads(path.read_text().splitlines()[0]) for path in (first, second)]
    assert headers[0]["learned"] is None
    assert headers[0]["request"]["floor"] is None
    assert len(headers[1]["learned"]["settings"]) >= 2
    assert headers[1]["request"]["floor"]["level_db"] == pytest.approx(26.2, abs=0.6)


def test_coolers_are_mounted_one_after_another(bench):
    """The bench is handed back in between, and one document holds all of them."""
    controls = []
    somebody = Somebody(mounts=1)
    before = somebody.mounts
    somebody.mounts = lambda cooler: controls.append(bench.guard.state().control) or before(cooler)

    series = bench.run(
        SeriesPlan(("North one", "South one"), requests(40), bench.folder / "both.json"), somebody
    )

    (document,) = series.documents()
    written = json.loads((bench.folder / "both.json").read_text())
    assert somebody.asked == ["South one"]
    assert controls == ["own"]
    assert bench.client.leases == 2
    assert [part.cooler for part in document.coolers] == ["North one", "South one"]
    assert [part["cooler"] for part in written["coolers"]] == ["North one", "South one"]
    assert len(written["differences"]) == 1
    assert (bench.folder / "both-north-one.trail.jsonl").exists()
    assert (bench.folder / "both-south-one.trail.jsonl").exists()


def test_a_safety_stop_ends_the_whole_series(tmp_path):
    """After one the bench is left alone: no further target, no further cooler."""
    bench = Bench(tmp_path, load_w=600.0)
    bench.plant.advance(600.0)
    somebody = Somebody(mounts=1)
    with BenchServer(bench.guard) as server:
        bench.guard.tick()
        bench.client = BenchClient(server.url)
        try:
            series = bench.run(SeriesPlan(("One", "Other"), requests(42, 38)), somebody)
        finally:
            bench.client.close()

    (stopped,) = [part for document in series.documents() for part in document.coolers]
    assert stopped.outcome == "stopped"
    assert somebody.asked == []


def test_names_and_targets_that_would_share_a_file_are_refused():
    """Twice the same cooler or target is a slip of the pen, said before anything is set."""
    with pytest.raises(SettingsError, match="'north ONE'"):
        SeriesPlan(("north ONE", "North one"), requests(40))
    with pytest.raises(SettingsError, match="40db"):
        SeriesPlan(("One",), requests(40, 40))


def test_files_of_each_target_have_it_in_their_name(tmp_path):
    """One target leaves the name as it is; dots and a missing ending do no harm."""
    sones = tuple(MatchRequest(None, 0.3, loudness=LoudnessTarget(n)) for n in (2.0, 1.5))

    assert SeriesPlan(("One",), requests(40)).paths(tmp_path / "a") == [tmp_path / "a"]
    assert SeriesPlan(("One",), sones).paths(tmp_path / "a.json") == [
        tmp_path / "a-2sone.json",
        tmp_path / "a-1.5sone.json",
    ]
    assert SeriesPlan(("One",), requests(37.5, 40)).paths(tmp_path / "a")[0] == (
        tmp_path / "a-37.5db.json"
    )
