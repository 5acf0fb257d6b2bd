"""Tests of the newest live frame and those who take it."""

import threading
from datetime import UTC, datetime

import numpy as np
import pytest
from sound_doubles import WAIT_S

from service.live.feed import LiveFeed
from service.live.frames import LiveFrame


def frame(number):
    """Make a frame."""
    return LiveFrame(
        number,
        datetime(2026, 1, 2, tzinfo=UTC),
        *(False, True, ()),
        *(-40.0, -40.0, -40.0, 1.0),
        *(np.zeros(31), None, None, None, None, None),
    )


@pytest.fixture
def feed():
    """Make a feed that ends."""
    made = LiveFeed()
    yield made
    made.close()


def test_a_reader_takes_only_the_newest_and_each_once(feed):
    """Whoever is slow misses frames, and nobody gets one twice."""
    with feed.subscribe() as reader:
        for number in range(5):
            feed.publish(frame(number))

        assert reader.take(0).number == 4
        assert reader.take(0) is None


def test_a_reader_waits_for_a_frame(feed):
    """The next frame wakes whoever waits for it."""
    with feed.subscribe() as reader:
        threading.Timer(0.01, lambda: feed.publish(frame(7))).start()

        assert reader.take(WAIT_S).number == 7


def test_the_end_wakes_every_reader(feed):
    """At the end a reader that waits gets nothing, and knows why."""
    with feed.subscribe() as reader:
        threading.Timer(0.01, feed.close).start()

        assert reader.take(WAIT_S) is None
        assert reader.ended


def test_a_loop_is_told_of_frames_and_of_the_end(feed):
    """Who cannot wait in a thread is called, until it reads no more."""
    told = []
    reader = feed.subscribe(lambda: told.append("now"))
    feed.publish(frame(1))
    reader.close()
    reader.close()
    feed.publish(frame(2))

    assert told == ["now"]
    assert feed.readers == 0


def test_one_who_expects_a_frame_counts_as_waiting_until_it_is_there():
    """An input that is read on demand moves for a viewer that is told, as for one that waits."""
    feed = LiveFeed()
    woken = []
    feed.on_wait = lambda: woken.append(feed.wanted)
    with feed.subscribe() as reader, feed.subscribe() as other:
        reader.expect()
        assert woken == [True]
        feed.publish(frame(1))
        assert not feed.wanted
        other.expect()
        assert feed.wanted
    assert not feed.wanted
