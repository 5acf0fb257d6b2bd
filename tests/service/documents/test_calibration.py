"""Calibrations of several channels in one document."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from service.documents.calibration import (
    CalibrationDocument,
    CalibrationTone,
    joined_calibration,
)
from service.errors import DocumentError

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


def calibrated(channel, factor, *, hours=0, u95_db=0.3, **changes):
    """Return the calibration of one channel, made so many hours later."""
    tone = CalibrationTone(
        frequency_hz=1000.0 + channel,
        level_dbfs=-6.0,
        stability_db=0.01,
        distortion_percent=0.1,
        signal_to_noise_db=60.0,
    )
    usual = {
        "accepted": True,
        "pascal_per_unit": factor,
        "rate_hz": 48_000,
        "tone": tone,
        "U95_db": u95_db,
        "time": TIME + timedelta(hours=hours),
        "reasons": [],
        "input": "device:two",
        "channel": channel,
        "reference_level_db": 94.0,
        "reference_frequency_hz": 1000.0,
    }
    return CalibrationDocument(**usual | changes)


def through_json(document):
    """Write and read a document."""
    return CalibrationDocument.from_json(document.to_json(), "x")


def test_a_document_of_one_channel_is_as_it_was():
    """One channel needs no list, and a document of an earlier version without one can be read."""
    document = calibrated(2, 3.0)
    plain = document.to_plain()
    del plain["channels"]

    assert CalibrationDocument.from_json(json.dumps(plain), "x") == document
    assert document.by_channel() == {2: document}
    assert document.with_channels_of(calibrated(2, 5.0)) == document
    assert joined_calibration([document]) == document


def test_channels_gather_in_a_document_one_by_one():
    """Each channel keeps what was found for it, and one that is calibrated again is replaced."""
    first, second = calibrated(1, 2.0), calibrated(2, 3.0, hours=1)
    again = calibrated(1, 2.1, hours=2)
    both = through_json(through_json(second.with_channels_of(first)))
    newest = through_json(again.with_channels_of(both))

    assert (both.channel, both.pascal_per_unit) == (2, 3.0)
    assert both.by_channel() == {1: first, 2: second}
    assert (newest.channel, newest.pascal_per_unit, newest.time) == (1, 2.1, again.time)
    assert newest.by_channel() == {1: again, 2: second}


@pytest.mark.parametrize("other", [{"input": "device:else"}, {"rate_hz": 44_100}])
def test_channels_of_something_else_do_not_gather(other):
    """A calibration of another input or rate is written over."""
    assert calibrated(1, 2.0).with_channels_of(calibrated(2, 3.0, **other)) == calibrated(1, 2.0)


def test_joined_channels():
    """What stands for several is the mean square, the widest interval and the oldest time."""
    first, second = calibrated(1, 1.0, hours=1, u95_db=0.3), calibrated(3, 7.0, u95_db=0.4)
    joined = joined_calibration([first, second])

    assert joined.pascal_per_unit == pytest.approx(5.0)  # (1 + 49) / 2 = 25
    assert (joined.U95_db, joined.time) == (0.4, TIME)
    assert joined.by_channel() == {1: first, 3: second}
    with pytest.raises(DocumentError, match="several inputs or at several rates"):
        joined_calibration([first, calibrated(2, 1.0, rate_hz=96_000)])


def test_a_refused_calibration_has_no_channel():
    """There is no factor to be had from a tone that was refused."""
    refused = calibrated(1, None, accepted=False)

    assert refused.by_channel() == {}
    assert calibrated(2, 3.0).with_channels_of(refused) == calibrated(2, 3.0)
