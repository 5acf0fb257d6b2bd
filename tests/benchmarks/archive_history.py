"""How quickly the archive answers after five years.

Run as ``python tests/benchmarks/archive_history.py [--folder DIR] [--database-url URL]``: an
archive is filled with a seeded history (`tests/lab_history.py`: 200 coolers, 5000 matches, 50,000
checks of the floor, every 100 ms of 90 days, 6 GB in all), unless the folder holds one from
before, and every list and trend is asked for several times. Nothing is asserted.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import kept_documents as draw
from lab_history import History, write_history

from service.storage.archive import Archive

_TIMES = 7
_COOLER = "Cooler 007"


def questions(archive: Archive, history: History) -> dict[str, Callable[[], object]]:
    """Return everything that is asked, by name."""
    end, begin = history.end, history.end - timedelta(days=365.25 * history.years)
    middle = begin + (end - begin) / 2
    newest = archive.matches.list(limit=20).items
    part = archive.matches.get(newest[0].id).document
    deep_floor = archive.floors.list(until=middle, limit=1).next
    deep_match = archive.matches.list(until=middle, limit=1).next
    levels, source = archive.levels, draw.INPUT
    minute = draw.level_minute(np.random.default_rng(1), end)

    def log(days: float, points: int) -> Callable[[], object]:
        return lambda: levels.trend(source, end - timedelta(days=days), end, points=points)

    return {
        "calibrations, newest 200": lambda: archive.calibrations.list(limit=200),
        "calibrations, trend of 5 years": lambda: archive.calibrations.trend(source),
        "calibration in use": lambda: archive.calibrations.latest(source),
        "floor checks, newest 200": lambda: archive.floors.list(limit=200),
        "floor checks, 200 in the middle": lambda: archive.floors.list(
            limit=200, before=deep_floor
        ),
        "floor checks, 200 of one input": lambda: archive.floors.list(limit=200, source=source),
        "floor checks, trend of 5 years": lambda: archive.floors.trend(since=begin, until=end),
        "floor checks, trend of 30 days": lambda: archive.floors.trend(
            since=end - timedelta(days=30), until=end, source=source
        ),
        "coolers, all": lambda: archive.coolers.list(limit=200),
        "matches, newest 200": lambda: archive.matches.list(limit=200),
        "matches, 200 in the middle": lambda: archive.matches.list(limit=200, before=deep_match),
        "matches of one cooler": lambda: archive.matches.list(cooler=_COOLER, limit=200),
        "matches of one outcome": lambda: archive.matches.list(outcome="stopped", limit=200),
        "matches to one target": lambda: archive.matches.list(target_db=40.0, limit=200),
        "matches of cooler, outcome, target": lambda: archive.matches.list(
            cooler=_COOLER, outcome="matched", target_db=40.0, since=begin, until=end
        ),
        "matches of a month": lambda: archive.matches.list(
            since=middle, until=middle + timedelta(days=30), limit=200
        ),
        "one match with its document": lambda: archive.matches.get(newest[0].id),
        "20 matches with their documents": lambda: archive.matches.get_all([m.id for m in newest]),
        "a match found again": lambda: archive.matches.same_as(
            part.coolers[0], part.chain.calibration_time
        ),
        "profiles of one cooler": lambda: archive.profiles.list(cooler=_COOLER),
        "rechecks of one cooler": lambda: archive.rechecks.list(cooler=_COOLER),
        "rechecks that do not hold": lambda: archive.rechecks.list(holds=False),
        "jobs, newest 200": lambda: archive.jobs.list(limit=200),
        "jobs that wait": archive.jobs.waiting,
        "events of one kind": lambda: archive.events.list(kind="calibration-overdue", limit=200),
        "sound of one cooler": lambda: archive.sounds.list(cooler=_COOLER),
        "level log, 1 hour in 3600 points": log(1 / 24, 3600),
        "level log, 24 hours in 1440 points": log(1, 1440),
        "level log, 24 hours in 500 points": log(1, 500),
        "level log, 7 days in 500 points": log(7, 500),
        "level log, 90 days in 500 points": log(90, 500),
        "level log, 24 hours, every 100 ms": lambda: levels.read(
            source, end - timedelta(days=1), end
        ),
        "level log, another minute written": lambda: levels.add(
            replace(minute, start=end + timedelta(minutes=int(time.monotonic() * 1e3) % 10**6))
        ).result(),
    }


def main() -> None:
    """Fill, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--database-url")
    parser.add_argument("--level-days", type=int, default=90)
    given = parser.parse_args()
    history = History(level_days=given.level_days)
    with (
        tempfile.TemporaryDirectory() as name,
        # Days are counted from the newest minute: those that are written here must not take any.
        Archive(given.folder or Path(name), given.database_url, level_log_days=0) as archive,
    ):
        if not archive.coolers.list(limit=1).items:
            took = _seconds(lambda: write_history(archive, history))
            sys.stdout.write(f"filled in {took:.0f} s\n\n")
        sys.stdout.write("| question | median, ms | slowest, ms |\n| --- | --- | --- |\n")
        for words, ask in questions(archive, history).items():
            times = [_seconds(ask) for _ in range(_TIMES)]
            sys.stdout.write(f"| {words} | {1e3 * median(times):.1f} | {1e3 * max(times):.1f} |\n")


def _seconds(ask: Callable[[], object]) -> float:
    """Time one question."""
    began = time.perf_counter()
    ask()
    return time.perf_counter() - began


if __name__ == "__main__":
    main()
