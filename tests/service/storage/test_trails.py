"""Finding the newest trail of a kind among others, old ones and damaged ones."""

from datetime import UTC, datetime, timedelta

import pytest

from calibration.bench_state import Actuator, BenchDescription
from calibration.results import MatchRequest
from service.documents.trail import TrailHeader
from service.errors import DocumentError
from service.storage.trails import (
    TRAIL_ENDING,
    TrailFile,
    newest_trail,
    read_trail,
    trail_stamp,
)

NOON = datetime(2026, 1, 2, 12, 0, 0, 250_000, tzinfo=UTC)
FAN = Actuator("fan", 20.0, 100.0, tachometer=True)


def write(folder, time, cooler="One", *lines):
    """Write a trail that began at a time."""
    header = TrailHeader(
        time=time,
        cooler=cooler,
        request=MatchRequest(40.0, 0.3),
        bench=BenchDescription("south", {"fan": FAN}, {}, 60.0),
        pascal_per_unit=6.4,
    )
    path = folder / f"{trail_stamp(time)}-{cooler}{TRAIL_ENDING}"
    with TrailFile(path, header) as trail:
        for line in lines:
            trail.add(line)
    return path


def newest_of_one(folder, since):
    """Find the newest trail of the cooler One."""
    return newest_trail(folder, since, lambda header: header.cooler == "One")


def test_the_newest_that_fits_is_found(tmp_path):
    """Another cooler's and a damaged one are passed over."""
    write(tmp_path, NOON)
    wanted = write(tmp_path, NOON + timedelta(milliseconds=1))
    write(tmp_path, NOON + timedelta(hours=1), "Other")
    (tmp_path / f"{trail_stamp(NOON + timedelta(hours=2))}-One{TRAIL_ENDING}").write_text("{")

    assert newest_of_one(tmp_path, NOON - timedelta(hours=12)) == wanted


def test_old_ones_and_a_missing_folder_give_nothing(tmp_path):
    """What began before the given time does not count."""
    write(tmp_path, NOON)

    assert newest_of_one(tmp_path, NOON) is not None
    assert newest_of_one(tmp_path, NOON + timedelta(milliseconds=1)) is None
    assert newest_of_one(tmp_path / "nowhere", NOON) is None


def test_a_line_that_was_being_written_is_left_out(tmp_path):
    """A result cut off in the middle is no result, and half a step no step."""
    path = write(tmp_path, NOON, "One", '{"remark": "a"}', '{"result": {"outcome": "matched"}}')
    whole = read_trail(path)
    path.write_bytes(path.read_bytes()[:-3])
    cut = read_trail(path)

    assert whole[2] == {"outcome": "matched"}
    assert cut[2] is None
    assert [step.remark for step in cut[1]] == ["a"]
    path.write_text("{")
    with pytest.raises(DocumentError, match="empty"):
        read_trail(path)
