"""Series of matches that broke off, and what the next run makes of them."""

import json

import pytest
from series_doubles import PullsTheCable, Somebody, requests

from service.errors import CaptureError
from service.wiring.series_plan import SeriesPlan


def test_when_nobody_mounts_the_next_cooler_the_same_command_goes_on_there(bench):
    """What was done is written at once, and not repeated the second time."""
    plan = SeriesPlan(("North one", "South one"), requests(40), bench.folder / "both.json")

    first = bench.run(plan)
    written = json.loads((bench.folder / "both.json").read_text())
    somebody = Somebody(mounts=1)
    second = bench.run(plan, somebody)

    assert first.targets_left("South one") == [0]
    assert [part["cooler"] for part in written["coolers"]] == ["North one"]
    assert any("not repeated" in text for text in somebody.said)
    assert bench.client.leases == 2
    north, south = second.documents()[0].coolers
    assert north.model_dump(mode="json") == written["coolers"][0]
    assert south.outcome == "matched"


@pytest.mark.parametrize("fresh", [False, True])
def test_a_run_that_broke_off_goes_on_with_what_it_had_heard(bench, fresh):
    """After a pulled cable the finished target stays and the other starts from what is known."""
    plan = SeriesPlan(("Fjord 140",), requests(42, 38), bench.folder / "fjord.json")
    trails = bench.folder / "data" / "trails"
    with pytest.raises(CaptureError):
        bench.run(plan, PullsTheCable(bench.source, when="going for 38db", after_s=5.0))
    written = {path.name for path in bench.folder.glob("*.json")}
    before = set(trails.iterdir())
    control = bench.guard.state().control
    bench.source.fails_after_s = None
    somebody = Somebody()

    series = bench.run(plan, somebody, fresh=fresh)

    assert written == {"fjord-42db.json"}
    assert control == "own"
    assert [len(document.coolers) for document in series.documents()] == [1, 1]
    added = sorted(set(trails.iterdir()) - before)
    headers = [json.loads(path.read_text().splitlines()[0]) for path in added]
    if fresh:
        assert len(added) == 2
        assert headers[0]["learned"] is None
        assert not any("broke off" in text for text in somebody.said)
    else:
        assert len(added) == 1
        assert headers[0]["request"]["target_db"] == 38.0
        assert headers[0]["learned"]["settings"]
        assert sum("broke off" in text for text in somebody.said) == 2


def test_half_a_line_at_the_end_of_a_trail_does_no_harm(bench):
    """A machine that lost its power in the middle of writing leaves a trail to go on from."""
    plan = SeriesPlan(("Fjord 140",), requests(42))
    with pytest.raises(CaptureError):
        bench.run(plan, PullsTheCable(bench.source, when="going to", after_s=3.0))
    (trail,) = (bench.folder / "data" / "trails").iterdir()
    trail.write_bytes(trail.read_bytes()[:-7])
    bench.source.fails_after_s = None
    somebody = Somebody()

    series = bench.run(plan, somebody)

    assert series.documents()[0].coolers[0].outcome == "matched"
    assert any("setting(s) is used" in text for text in somebody.said)


def test_a_finished_series_is_done_anew(bench):
    """Only what broke off is gone on with: after a whole run the same command starts anew."""
    plan = SeriesPlan(("Fjord 140",), requests(40), bench.folder / "fjord.json")
    bench.run(plan)
    bench.run(plan)

    trails = sorted((bench.folder / "data" / "trails").iterdir())
    assert len(trails) == 2
    assert json.loads(trails[1].read_text().splitlines()[0])["learned"] is None
    assert list((bench.folder / "data" / "series").iterdir()) == []
