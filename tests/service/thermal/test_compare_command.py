"""``evenhush compare`` on runs whose rises are known."""

import csv
from datetime import UTC, datetime, timedelta

import jsonschema
import numpy as np
import pytest

from service.documents.comparison import ComparisonDocument


@pytest.fixture
def five_runs(run_log):
    """Two coolers at two levels each, and a third as cold as the second at one."""
    return [
        f"Fjord 140@40={run_log('a.csv', 30.0, rpm=1000)}",
        f"Fjord 140@35={run_log('b.csv', 34.0, rpm=800)}",
        f"Lagoon 240@40={run_log('c.csv', 25.0, rpm=1100)}",
        f"Lagoon 240@35={run_log('d.csv', 28.0, rpm=900)}",
        f"Tide 240@40={run_log('e.csv', 25.1, rpm=950)}",
    ]


def test_the_answer_is_who_is_colder_by_how_much_and_whether_for_sure(evenhush, five_runs):
    """Known rises, slopes and differences come out, and what is within the error says so."""
    ended = evenhush("compare", *five_runs, "--json")
    document = ended.json
    (at_40,) = [each for each in document["comparisons"] if each["at"] == "40 dB(A)"]
    pairs = {(each["first"], each["second"]): each for each in at_40["differences"]}

    assert ended.code == 0
    assert [run["rise_k"] for run in document["runs"]] == pytest.approx(
        [30, 34, 25, 28, 25.1], abs=0.05
    )
    assert document["runs"][0]["slope_k_per_db"] == pytest.approx(-0.8, abs=0.02)
    assert [run["on_front"] for run in document["runs"]] == [False, False, True, True, False]
    big, small = pairs["Fjord 140", "Lagoon 240"], pairs["Lagoon 240", "Tide 240"]
    assert big["difference_k"] == pytest.approx(5.0, abs=0.1)
    assert big["outside_error"]
    # 0.3 dB of either level at 0.8 and 0.6 K/dB, which is more than the rises leave open.
    assert big["U95_k"] == pytest.approx(0.3, abs=0.05)
    assert not small["outside_error"]
    assert at_40["coldest"] in ("Lagoon 240", "Tide 240")
    assert not at_40["coldest_for_sure"]
    schema = ComparisonDocument.model_json_schema(by_alias=True, mode="serialization")
    jsonschema.validate(document, schema)


def test_everything_is_written_and_told(evenhush, five_runs, tmp_path):
    """Document, table and picture are written; the words give interval and verdict of each pair."""
    out, table, picture = (tmp_path / name for name in ("out.json", "out.csv", "out.svg"))
    words = ["--out", out, "--csv", table, "--picture", picture, "--price", "Fjord 140=49.9"]
    ended = evenhush("compare", *five_runs, *words)

    assert "Lagoon 240 less Tide 240: -0.1" in ended.out
    assert "outside the error" in ended.out
    assert "within the error" in ended.out
    document = ComparisonDocument.from_json(out.read_text(encoding="utf-8"), str(out))
    rows = list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))
    assert [float(row["rise_k"]) for row in rows] == pytest.approx(
        [run.rise_k for run in document.runs], abs=0.005
    )
    assert rows[0]["price"] == "49.90"
    assert picture.read_bytes().startswith(b"<?xml")


def test_a_run_at_another_power_is_flagged_and_brought_back(evenhush, run_log):
    """A fifth more power gives a fifth more rise: it is said, and --same-power takes it out."""
    runs = [
        f"Fjord 140={run_log('a.csv', 30.0)}",
        f"Lagoon 240={run_log('b.csv', 25.0)}",
        f"Tide 240={run_log('c.csv', 30.0, power_w=144.0)}",
    ]
    as_run = evenhush("compare", *runs, "--json").json
    brought = evenhush("compare", *runs, "--same-power", "--json").json

    assert "its power is +20" in as_run["runs"][2]["flags"][0]
    assert as_run["runs"][1]["flags"] == []
    assert brought["runs"][2]["common_power"]["rise_k"] == pytest.approx(25.0, abs=0.1)
    (comparison,) = brought["comparisons"]
    (pair,) = [d for d in comparison["differences"] if d["first"] == "Lagoon 240"]
    assert not pair["outside_error"]


def test_loads_are_compared_each_by_itself(evenhush, run_log):
    """Runs of two loads make two comparisons."""
    runs = [
        f"{cooler}@40@{load}={run_log(f'{cooler}-{load}.csv', rise)}"
        for cooler, load, rise in (
            ("Fjord", "game", 20),
            ("Lagoon", "game", 18),
            ("Fjord", "render", 30),
            ("Lagoon", "render", 31),
        )
    ]
    document = evenhush("compare", *runs, "--json").json

    assert [(each["load"], each["coldest"]) for each in document["comparisons"]] == [
        ("game", "Lagoon"),
        ("render", "Fjord"),
    ]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["{log}", "--column", "power"], "--column takes WHAT=NAME, not 'power'."),
        (["{log}", "--column", "power=heat"], "There is no column 'heat'; there are"),
        (["{log}", "--price", "Fjord=much"], "--price Fjord=much is no number."),
        (["A@40@35={log}"], "has two settings; a run has one."),
        (["A@x@y={log}"], "cannot be read; write COOLER@TARGET@LOAD=LOG"),
        (["A=none.csv"], "There is no log none.csv; check the name."),
        (["{log}", "--picture", "x.gif"], ".png or .svg"),
        (["{log}", "--column", "ambient=-"], "--ambient-c"),
        (["{log}", "--column", "processor=-"], "--column processor=NAME"),
        (["A@40={log}", "--settings", "{log}"], "neither a document of matched settings"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(evenhush, run_log, words, sentence):
    """Whatever is wrong with what was typed is said in a sentence that names it."""
    log = str(run_log("a.csv", 30.0))

    assert sentence in evenhush("compare", *(word.format(log=log) for word in words)).sentence


def test_the_matched_settings_give_level_and_speed(evenhush, run_log, matched_settings):
    """The level is the matched one, and a run at other speeds than matched is flagged."""
    log = run_log("a.csv", 30.0, rpm=1050.0)
    document = evenhush(
        "compare", f"Fjord 140@40={log}", "--settings", matched_settings(), "--json"
    ).json
    (run,) = document["runs"]

    assert run["level"]["LAeq_db"] == 39.9
    assert run["level"]["source"] == "settings"
    assert any("its fan speed was 1050 rpm, matched were 1000 rpm" in text for text in run["flags"])


def test_logs_of_one_run_are_joined_and_a_wrong_clock_is_said(evenhush, tmp_path):
    """Temperature by one clock, power by another, air by a third: one run, with the truth."""
    rng = np.random.default_rng(5)
    start = datetime(2026, 5, 4, 12, tzinfo=UTC)
    high = (np.arange(1200) // 40) % 3 != 2
    power_w = np.where(high, 120.0, 30.0) + 0.2 * rng.standard_normal(1200)
    processor_c = 23.0 + 0.25 * power_w + 0.05 * rng.standard_normal(1200)

    def write(name, column, values, off_s, every=1):
        lines = [
            f"{start + timedelta(seconds=off_s + second)},{values[second]:.2f}"
            for second in range(0, 1200, every)
        ]
        path = tmp_path / name
        path.write_text("\n".join([f"time,{column}", *lines]) + "\n", encoding="utf-8")
        return str(path)

    logs = [
        write("die.csv", "cpu [C]", processor_c, 0),
        write("mains.csv", "power [W]", power_w, -57),
        write("air.csv", "room [C]", np.full(1200, 23.0), 0, every=30),
    ]
    (run,) = evenhush("compare", "Fjord@40=" + "+".join(logs), "--json").json["runs"]

    assert run["cycling"]
    assert run["rise_k"] == pytest.approx(30.0, abs=0.1)
    assert run["resistance_k_per_w"] == pytest.approx(0.25, abs=0.001)
    # A load that cycles every 120 s tells 57 s; its clock says that it is not 63 s ahead.
    assert (
        "the clock of mains.csv is about 57 s, or whole cycles of the load more, behind the first "
        "one's, by temperature and power; that was taken out"
    ) in run["remarks"]
    assert any("the clock of air.csv was believed" in text for text in run["remarks"])


def test_what_was_said_of_columns_is_remembered(evenhush, tmp_path):
    """The next log with the same header needs no word, and it is said."""
    path = tmp_path / "odd.csv"
    rows = [f"{second},60.{second % 3},23.0" for second in range(100)]
    path.write_text("\n".join(["a,b,c", *rows]) + "\n", encoding="utf-8")
    said = ["--column", "time=a", "--column", "processor=b", "--column", "ambient=c"]

    assert "has no time column that can be told" in evenhush("compare", path).sentence
    assert evenhush("compare", path, *said).code == 0
    again = evenhush("compare", path)
    assert again.code == 0
    assert "its columns are what was said of a log with this header before" in again.out
    assert (
        "names no column of"
        in evenhush("compare", f"A={path}+{path}", "--column", "power=w").sentence
    )
