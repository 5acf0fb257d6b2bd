"""What goes into the archive comes out again, in the order and parts that are asked for."""

import math
from datetime import timedelta

import kept_documents as draw
import pytest
from kept_documents import INPUT, NOON

from acoustic.errors import InputError
from service.documents.calibration import joined_calibration
from service.documents.cooler import CoolerDocument
from service.errors import DocumentError, NotKept
from service.records.lab import JobResult

HOUR = timedelta(hours=1)


def test_every_kind_comes_out_as_it_went_in(archive, rng):
    """Documents and columns of every kind are what was added."""
    first, room = draw.calibration(rng), draw.floor(rng)
    matched, swept = draw.match(rng, of=first), draw.profile(rng)
    again = draw.recheck(rng, holds=False)

    calibration = archive.calibrations.get(archive.calibrations.add(first, next_due=NOON + HOUR))
    floor = archive.floors.get(archive.floors.add(room, scheduled=True))
    match = archive.matches.get(archive.matches.add(matched, source=INPUT, calibration=first))
    profile = archive.profiles.get(archive.profiles.add(swept))
    recheck = archive.rechecks.get(archive.rechecks.add(again))

    assert calibration.document == first
    assert calibration.plain == first.to_plain()
    assert calibration.record.next_due == NOON + HOUR
    assert (calibration.record.input, calibration.record.U95_db) == (INPUT, 0.3)
    assert floor.document == room
    assert (floor.record.LAeq_db, floor.record.scheduled) == (room.LAeq_db, True)
    assert match.document == matched
    assert match.record.calibration == calibration.record.id
    assert match.record.fan_rpm == matched.coolers[0].settings["fan"].rpm
    assert (match.record.pump_duty_percent, match.record.pump_rpm) == (80.0, None)
    assert (match.record.target_db, match.record.target_sone, match.record.void) == (
        40.0,
        None,
        False,
    )
    assert profile.document == swept
    assert recheck.document.coolers == [again]
    assert (recheck.record.holds, recheck.record.difference_db) == (False, again.difference_db)


def test_the_same_is_kept_once(archive, rng):
    """Adding a document again gives its id and adds nothing, and so does a reopened archive."""
    documents = draw.floor(rng), draw.match(rng), draw.profile(rng), draw.recheck(rng)
    for _ in range(2):
        archive.floors.add(documents[0])
        archive.matches.add(documents[1], source=INPUT)
        archive.profiles.add(documents[2])
        archive.rechecks.add(documents[3])

    kinds = archive.floors, archive.matches, archive.profiles, archive.rechecks, archive.coolers
    assert [len(kind.list().items) for kind in kinds] == [1, 1, 1, 1, 1]


def test_lists_come_in_parts_without_gap_or_repetition(archive, rng):
    """Parts of any size hold every entry once, newest first, also where many share a time."""
    times = [NOON + int(hour) * HOUR for hour in rng.integers(0, 5, 23)]
    ids = {archive.events.add(kind="x", who="t", what=f"{n}", time=t) for n, t in enumerate(times)}
    for limit in (1, 4, 22, 23, 50):
        found, before = [], None
        while True:
            page = archive.events.list(limit=limit, before=before)
            found += page.items
            before = page.next
            if before is None:
                break

        assert [event.time for event in found] == sorted(times, reverse=True)
        assert {event.id for event in found} == ids
        assert len(found) == len(ids)


def test_what_is_added_meanwhile_does_not_move_the_next_part(archive):
    """The second part begins where the first ended although something newer came in between."""
    for n in range(4):
        archive.events.add(kind="x", who="t", what=f"{n}", time=NOON + n * HOUR)
    first = archive.events.list(limit=2)
    archive.events.add(kind="x", who="t", what="new", time=NOON + 9 * HOUR)

    assert [e.what for e in archive.events.list(limit=2, before=first.next).items] == ["1", "0"]


def test_a_place_that_is_none_is_one_sentence(archive):
    """A damaged place in a list is refused in words."""
    for before in ("", "x", "!!!", "MTIz", "bm8gYQ", "é", "OTk5OTk5OTk5OTk5OTk5OTkgYQ"):
        with pytest.raises(InputError, match="is no place in a list"):
            archive.events.list(before=before)


def test_a_part_of_nothing_is_refused(archive):
    """A part holds one entry at least."""
    with pytest.raises(InputError, match="A page holds 1 to"):
        archive.events.list(limit=0)


def test_lists_are_filtered(archive, rng):
    """Each filter leaves what it says, and times include their beginning and not their end."""
    for n, (cooler, outcome) in enumerate(
        [("A", "matched"), ("A", "unsteady"), ("B", "matched"), ("A", "matched")]
    ):
        archive.matches.add(
            draw.match(rng, NOON + n * HOUR, cooler=cooler, outcome=outcome, target_db=35.0 + n),
            source=INPUT,
        )

    def found(**filters):
        return [(each.time - NOON) // HOUR for each in archive.matches.list(**filters).items]

    assert found() == [3, 2, 1, 0]
    assert found(cooler="A", outcome="matched") == [3, 0]
    assert found(target_db=37.0) == [2]
    assert found(target_sone=2.0) == []
    assert found(since=NOON + HOUR, until=NOON + 3 * HOUR) == [2, 1]
    assert found(cooler="nothing like it") == []


def test_drift_is_told_from_the_accepted_calibration_before(archive, rng):
    """Drift is 20 lg of the factors, of the same input and channel, in whatever order they came."""
    factors = {0: 6.0, 1: 6.6, 2: 6.6}
    for hour in (2, 0, 1):
        document = draw.calibration(rng, NOON + hour * HOUR)
        archive.calibrations.add(document.model_copy(update={"pascal_per_unit": factors[hour]}))
    archive.calibrations.add(draw.calibration(rng, NOON + 1.5 * HOUR, accepted=False))
    archive.calibrations.add(draw.calibration(rng, NOON + 1.5 * HOUR, channel=2))
    archive.calibrations.add(draw.calibration(rng, NOON + 1.5 * HOUR, source="device:other"))

    trend = archive.calibrations.trend(INPUT)

    assert [(each.time - NOON) // HOUR for each in trend] == [0, 1, 2]
    assert trend[0].drift_db is None
    assert trend[1].drift_db == pytest.approx(20 * math.log10(6.0 / 6.6))
    assert trend[2].drift_db == 0.0
    assert archive.calibrations.latest(INPUT).record == trend[2]
    assert archive.calibrations.latest("device:unheard") is None
    assert len(archive.calibrations.list(accepted=False).items) == 1


def test_a_calibration_of_several_channels_is_kept_channel_by_channel(archive, rng):
    """What was joined adds nothing to what its channels added before."""
    one, two = draw.calibration(rng), draw.calibration(rng, NOON + HOUR, channel=2)
    first = archive.calibrations.add(one.model_copy(update={"remarks": ["A second look."]}))
    second = archive.calibrations.add(two)

    assert archive.calibrations.add(joined_calibration([one, two])) == first
    assert {each.id for each in archive.calibrations.list().items} == {first, second}


def test_a_match_takes_up_its_cooler_and_its_calibration(archive, rng):
    """What a match refers to is there although nobody added it."""
    measured_with = draw.calibration(rng)
    for hour in (0, 1):
        archive.matches.add(
            draw.match(rng, NOON + hour * HOUR, cooler="Moor 120", of=measured_with),
            source=INPUT,
            calibration=measured_with,
        )

    (cooler,) = archive.coolers.list().items
    assert (cooler.name, cooler.matches, cooler.last_match) == ("Moor 120", 2, NOON + HOUR)
    assert cooler.id == archive.coolers.id_of("Moor 120")
    assert archive.calibrations.list().items[0].time == measured_with.time


def test_coolers_are_described_and_retired(archive):
    """A description can be replaced and a cooler taken out of use; its name stays its own."""
    key = archive.coolers.add(CoolerDocument(cooler="Fjord 140", blades=7))
    archive.coolers.describe(CoolerDocument(cooler="Fjord 140", blades=9, price=49.5))
    archive.coolers.retire(key, NOON)

    kept = archive.coolers.get(key)
    assert (kept.document.blades, kept.document.price) == (9, 49.5)
    assert kept.record.retired == NOON
    assert archive.coolers.list(retired=False).items == ()
    assert archive.coolers.list(retired=True).items == (kept.record,)
    with pytest.raises(InputError, match="There is a cooler 'Fjord 140' already"):
        archive.coolers.add(CoolerDocument(cooler="Fjord 140"))
    with pytest.raises(NotKept, match="no cooler 'Moor 120'"):
        archive.coolers.describe(CoolerDocument(cooler="Moor 120"))


def test_drift_enters_a_match_afterwards(archive, rng):
    """The chain of a match can be closed; anything else of it cannot be changed."""
    matched = draw.match(rng)
    key = archive.matches.add(matched, source=INPUT)
    chain = matched.chain.model_copy(update={"drift_db": 0.7, "void": True})
    closed = matched.model_copy(update={"chain": chain})

    (found,) = archive.matches.same_as(matched.coolers[0], matched.chain.calibration_time)
    archive.matches.close_chain(found.record.id, closed)

    kept = archive.matches.get(key)
    assert kept.document == closed
    assert (kept.record.drift_db, kept.record.void) == (0.7, True)
    assert archive.matches.same_as(matched.coolers[0], NOON + HOUR) == ()
    with pytest.raises(DocumentError, match="is another one than its new document says"):
        archive.matches.close_chain(key, draw.match(rng))


def test_what_is_no_document_is_not_kept(archive, rng):
    """A document that was made wrong after it was checked is refused, and nothing of it stays."""
    wrong = draw.match(rng).model_copy(update={"time": "yesterday"})
    with pytest.raises(DocumentError, match="What is to be kept is no document of matched"):
        archive.matches.add(wrong, source=INPUT)
    endless = draw.floor(rng).model_copy(update={"LAeq_db": math.inf})
    with pytest.raises(DocumentError, match="LAeq_db"):
        archive.floors.add(endless)
    several = draw.match(rng)
    several = several.model_copy(update={"coolers": several.coolers * 2})
    with pytest.raises(DocumentError, match="one by one, and not 2"):
        archive.matches.add(several, source=INPUT)

    assert archive.matches.list().items == ()
    assert archive.coolers.list().items == ()


def test_a_name_that_is_no_text_is_one_sentence(archive):
    """What only some databases could store is refused by all."""
    for name in ("a\0b", "a\ud800b"):
        with pytest.raises(DocumentError, match=r"no character|no description"):
            archive.coolers.add(CoolerDocument.model_construct(cooler=name))


def test_ids_that_are_none_are_one_sentence(archive):
    """An unknown id is told, whatever it looks like."""
    for kind in (archive.calibrations, archive.matches, archive.coolers, archive.jobs):
        with pytest.raises(NotKept, match="There is no"):
            kind.get("0" * 32)


def test_a_trail_elsewhere_is_refused(archive, rng, tmp_path):
    """The archive refers only to files in its data folder, and to whole ones."""
    trail = tmp_path / "elsewhere.trail.jsonl"
    trail.write_text("{}\n")

    with pytest.raises(DocumentError, match="does not stand in the data folder"):
        archive.matches.add(draw.match(rng), source=INPUT, trail=trail)


def test_sound_is_referred_to_by_what_it_holds(archive):
    """Size and hash of the file are noted, and it can be forgotten without being removed."""
    archive.sounds.folder.mkdir(parents=True)
    file = archive.sounds.folder / "x.flac"
    file.write_bytes(b"sound")
    key = archive.sounds.add(file, draw.sound("x.flac"))

    record = archive.sounds.get(key).record
    assert (record.path, record.bytes, record.duration_s) == ("sounds/x.flac", 5, 1.0)
    # echo -n sound | sha256sum
    assert record.sha256 == "dd29442deca69f52c50006b831cb216edf78a7da33748f0a80ff19f2ebe57ecd"
    assert archive.sounds.path_of(key) == file
    assert [each.id for each in archive.sounds.list(cooler="Fjord 140").items] == [key]
    archive.sounds.forget(key)
    assert archive.sounds.list().items == ()
    assert file.exists()


def test_jobs_keep_their_state_and_their_order(archive):
    """Jobs wait in the order they came or were put into, and know what they came to."""
    one, two, three = (archive.jobs.add(kind="match", request={"n": n}, who="t") for n in range(3))

    assert [job.id for job in archive.jobs.waiting()] == [one.id, two.id, three.id]
    archive.jobs.order([three.id, one.id])
    assert [job.request["n"] for job in archive.jobs.waiting()] == [2, 0]
    done = archive.jobs.get(three.id)
    done = type(done)(
        **{name: getattr(done, name) for name in type(done).__slots__}
        | {"state": "done", "position": None, "results": (JobResult("match", "abc"),)}
        | {"progress": {"share": 1.0}, "ended": NOON, "why": "It is done."}
    )
    archive.jobs.save(done)
    assert archive.jobs.get(three.id) == done
    assert [job.id for job in archive.jobs.waiting()] == [one.id]
    assert [job.id for job in archive.jobs.list(states=["done"]).items] == [three.id]
    assert len(archive.jobs.list().items) == 3
    with pytest.raises(NotKept, match="no job 'nobody'"):
        archive.jobs.order(["nobody"])
    assert [job.id for job in archive.jobs.waiting()] == [one.id]


def test_the_floor_trend_adds_up(archive, rng):
    """Points of a trend hold every check once, with mean, lowest and highest of their part."""
    checks = [draw.floor(rng, NOON + n * HOUR) for n in range(48)]
    for check in checks:
        archive.floors.add(check)
    archive.floors.add(draw.floor(rng, NOON, source="device:other"))

    trend = archive.floors.trend(since=NOON, until=NOON + 48 * HOUR, source=INPUT, points=4)

    assert [point.checks for point in trend] == [12, 12, 12, 12]
    for part, point in enumerate(trend):
        levels = [check.LAeq_db for check in checks[12 * part : 12 * part + 12]]
        assert point.LAeq_db == pytest.approx(sum(levels) / 12)
        assert (point.lowest_LAeq_db, point.highest_LAeq_db) == (min(levels), max(levels))
        assert point.time == NOON + (12 * part + 5.5) * HOUR
    assert archive.floors.trend(since=NOON - HOUR, until=NOON) == ()
    with pytest.raises(InputError, match="a time that ends after it begins"):
        archive.floors.trend(since=NOON, until=NOON)
