"""Logs from anywhere, in any state: what is read, what is mended, and what is refused."""

import itertools
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from service.errors import DocumentError, SettingsError
from service.storage.run_logs import read_run_log

SECONDS = range(300)


@pytest.fixture
def log(tmp_path):
    """Write a log and read it."""

    def read(header, lines, said=None, encoding="utf-8"):
        path = tmp_path / "run.csv"
        text = "".join(line + "\n" for line in [*header.splitlines(), *lines])
        path.write_bytes(text.encode(encoding))
        return read_run_log(path, said or {})

    return read


def plain(**changed):
    """Lines of a tidy log; some replaced, by their second."""
    return [changed.get(f"s{second}", f"{second},60.{second % 10},22.5") for second in SECONDS]


HEADER = "time,cpu,room"


def test_a_tidy_log_is_read_as_it_stands(log):
    """Times and values are those of the file, and there is nothing to remark."""
    read = log(HEADER, plain())

    assert read.time_s.tolist() == list(SECONDS)
    assert read.columns["processor_c"].tolist() == [60 + second % 10 / 10 for second in SECONDS]
    assert set(read.columns["ambient_c"]) == {22.5}
    assert read.remarks == ()


def test_a_log_with_decimal_commas_units_and_a_date_of_its_own(log):
    """Semicolons, decimal commas, day first, time in a column of its own, Latin letters."""
    lines = [f"25.11.2026;12:{s // 60:02d}:{s % 60:02d};60,5;72,5;0,12;1200" for s in SECONDS]
    header = "Datum;Uhrzeit;CPU [°C];Raum [°F];Leistung [kW];Lüfter [1/min]"
    read = log(header, lines, encoding="cp1252")

    assert read.time_s[0] == datetime(2026, 11, 25, 12, tzinfo=UTC).timestamp()
    assert set(np.diff(read.time_s)) == {1.0}
    assert read.columns["processor_c"][0] == 60.5
    assert read.columns["ambient_c"][0] == pytest.approx(22.5)
    assert read.columns["power_w"][0] == pytest.approx(120.0)


@pytest.mark.parametrize("delimiter", [";", "\t", "|", ",", "   "])
def test_every_delimiter_is_recognised(log, delimiter):
    """The same table with anything between its cells."""
    read = log(HEADER.replace(",", delimiter), [line.replace(",", delimiter) for line in plain()])

    assert read.columns["processor_c"][7] == 60.7


def test_quotes_preamble_units_and_two_byte_letters(log):
    """A preamble, a line of units, quotes with decimal commas inside, UTF-16."""
    lines = [f'"{second}","60,5","22,1"' for second in SECONDS]
    read = log('Logger 5\n\n"time","cpu","room"\n"ms","C","C"', lines, encoding="utf-16")

    assert read.time_s[1] == pytest.approx(0.001)
    assert read.columns["ambient_c"][0] == 22.1


def stamped(form, start, step):
    """Lines whose times are written in a form."""
    return [f"{form(start + second * step)},60.5,22.5" for second in SECONDS]


@pytest.mark.parametrize(
    "form",
    [
        lambda t: t.isoformat(),
        lambda t: t.strftime("%Y/%m/%d %H:%M:%S.%f"),
        lambda t: t.strftime("%d.%m.%Y %H:%M:%S"),
        lambda t: t.strftime("%m/%d/%Y %I:%M:%S %p"),
        lambda t: t.strftime("%H:%M:%S"),
        lambda t: t.astimezone(timezone(timedelta(hours=-5))).isoformat(),
        lambda t: str(int(t.timestamp() * 1000)),
    ],
)
def test_times_are_read_in_every_usual_form(log, form):
    """Every second is one second after the one before, also past midnight."""
    start = datetime(2026, 11, 29, 23, 58, tzinfo=UTC)
    read = log(HEADER, stamped(form, start, timedelta(seconds=1)))

    assert np.allclose(np.diff(read.time_s), 1.0)


@pytest.mark.parametrize(
    ("start", "word"), [((10, 25, 2, 58), "back"), ((3, 29, 1, 58), "forward")]
)
def test_a_clock_that_is_put_forward_or_back_is_mended(log, start, word):
    """The hour that summer time takes or gives is taken out, and said with its line."""
    begin = datetime(2026, *start)  # noqa: DTZ001 - a wall clock has no zone
    turn = begin + timedelta(minutes=2)
    hour = timedelta(hours=1 if word == "forward" else -1)

    def wall(moment):
        return str(moment if moment < turn else moment + hour)

    read = log(HEADER, stamped(wall, begin, timedelta(seconds=1)))

    assert set(np.diff(read.time_s)) == {1.0}
    assert read.remarks == (f"the clock was put {word} by an hour at line 122; that was taken out",)


@pytest.mark.parametrize(
    ("changed", "remark"),
    [
        ({"s50": "50;60.0;22.5"}, "1 line has another delimiter, it is line 52"),
        ({"s50": "time,cpu,room"}, "the header stands again in line 52"),
        ({"s50": "50,ERR,22.5"}, "1 cell of 'cpu' holds no number, in line 52 'ERR'"),
        ({"s50": "40,60.0,22.5"}, "the time of line 52 is out of order"),
        ({"s50": "49,60.0,22.5"}, "the time of line 52 is repeated"),
        ({"s50": "9999,60.0,22.5"}, "the time of line 52 is out of order"),
        ({"s50": "50,60"}, "line 52 is no row"),
        ({"s50": ",60.0,22.5"}, "1 row has no time, it is line 52"),
        ({"s50": 'a\rb"\0x"y'}, "line 52 is no row"),
        ({"s50": "", "s60": "# a remark"}, None),
    ],
)
def test_damage_is_mended_and_said_with_its_line(log, changed, remark):
    """One damaged line is mended or left out; everything else is read."""
    read = log(HEADER, plain(**changed))

    assert [text[: len(remark)] for text in read.remarks] == [remark] if remark else True
    assert read.remarks or not remark
    assert 298 <= read.time_s.size <= 300
    assert np.all(np.diff(read.time_s) > 0)


def test_whole_columns_of_damage(log):
    """The newest row first, times in whole seconds at 4 Hz, an empty column."""
    turned = log(HEADER, plain()[::-1])
    coarse = log(HEADER, [f"{second // 4},60.5,22.5" for second in SECONDS])
    empty = log(HEADER, [f"{second},60.5," for second in SECONDS])

    assert turned.time_s.tolist() == list(SECONDS)
    assert np.allclose(np.diff(coarse.time_s), 0.25)
    assert "ambient_c" not in empty.columns
    assert empty.remarks == ("column 'room' is empty and was left out",)


@pytest.mark.parametrize(
    ("header", "lines", "words"),
    [
        (HEADER, [f"{s % 150},60.5,22.5" for s in SECONDS], "Line 152 of .* goes back in time"),
        (HEADER, plain(s50="time,room,cpu"), "Line 52 of .* is another header"),
        (HEADER, [f"{s},60,5,22,5" for s in SECONDS], "Line 2 of .* has commas between"),
        (HEADER, [f"{s},hot,22.5" for s in SECONDS], "in line 2 for instance 'hot'"),
        (HEADER, plain(**{f"s{s}": "1,2" for s in range(9, 49)}), "Line 11 of .* and 39 oth"),
        ("cpu,room", [f"60.{s},22.5" for s in SECONDS], "no time column"),
        (HEADER, ["0,60.5,22.5"], "fewer than two rows"),
        ("a letter", ["to nobody"], "is no table"),
        ("", [], "is empty"),
    ],
)
def test_what_cannot_be_mended_is_refused_with_its_place(log, header, lines, words):
    """One sentence says which file and which line."""
    with pytest.raises(DocumentError, match=words):
        log(header, lines)


def test_a_file_that_is_not_there(tmp_path):
    """A log that is missing or a folder is named."""
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(DocumentError, match=path.name):
            read_run_log(path, {})


def test_a_person_has_the_last_word(log):
    """Columns are what is said: a sum, another unit, none."""
    header = "t,p1,p2,cpu,t2,noise"
    lines = [f"{s},70,50,60.5,72.5,40" for s in SECONDS]
    said = {"time": "t", "power": "p1 + p2", "ambient": "t2 [F]", "level": "-"}
    read = log(header, lines, said)

    assert read.columns["power_w"][0] == 120
    assert read.columns["ambient_c"][0] == pytest.approx(22.5)
    assert "level_db" not in read.columns
    for wrong in ({"power": "p3"}, {"heat": "p1"}, {"power": "p1 [lb]"}):
        with pytest.raises(SettingsError):
            log(header, lines, wrong)


def test_blocks_do_not_matter(log, monkeypatch):
    """A log read in pieces of a few lines is the same."""
    whole = log(HEADER, plain(s50="50;60.0;22.5", s51="51,ERR,22.5"))
    monkeypatch.setattr("service.storage.log_texts._BLOCK_BYTES", 101)
    pieces = log(HEADER, plain(s50="50;60.0;22.5", s51="51,ERR,22.5"))

    assert pieces.time_s.tolist() == whole.time_s.tolist()
    assert np.array_equal(
        pieces.columns["processor_c"], whole.columns["processor_c"], equal_nan=True
    )
    assert pieces.remarks == whole.remarks


def test_numbers_in_every_form(log):
    """Signs, units behind, exponents and many digits are read as they are written."""
    cells = ["+60.5", "-60.5", "60.5 °C", "6.05e1", "60.500000000000001", "60"]
    lines = [f"{s},{cell},22" for s, cell in zip(SECONDS, itertools.cycle(cells), strict=False)]

    assert log(HEADER, lines).columns["processor_c"][:6].tolist() == [
        60.5,
        -60.5,
        60.5,
        60.5,
        60.5,
        60,
    ]
