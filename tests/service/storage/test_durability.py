"""What was confirmed is there after a writer was killed, and nothing is there by half."""

import os
import signal
import subprocess
import sys
import threading
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from kept_documents import INPUT
from sqlalchemy import text

from service.storage.archive import Archive
from service.storage.checking import check_archive

PROGRAM = Path(__file__).parents[2] / "writes_until_killed.py"
KILLS = 6


def confirmed_until_killed(process, rng):
    """Start a writer, kill it at some moment after its first lines, and return all its lines."""
    process.stdin.write("go\n")
    process.stdin.flush()
    writer = int(process.stdout.readline())
    lines = [process.stdout.readline() for _ in range(int(rng.integers(1, 6)))]
    # A moment within the next thing it does: each takes some ten milliseconds.
    threading.Event().wait(float(rng.uniform(0, 0.04)))
    os.kill(writer, signal.SIGKILL)
    while lines[-1] != "killed\n":
        lines.append(process.stdout.readline())
    return [line.split() for line in lines[:-1]]


def check_all(folder, confirmed, kills):
    """Check that everything is whole that was confirmed, and that nothing is there by half."""
    with Archive(folder) as archive:
        found = check_archive(archive)
        # A sound may be written that nothing refers to yet, and never the other way round.
        assert {finding.kind for finding in found.findings} <= {"unknown-file"}
        matches = {kept.id: kept for kept in archive.matches.list(limit=1000).items}
        sounds = {kept.id for kept in archive.sounds.list(limit=1000).items}
        for match, sound, time in confirmed:
            assert sound in sounds
            assert matches[match].calibration is not None
            start = datetime.fromisoformat(time)
            levels = archive.levels.trend(INPUT, start, start + timedelta(minutes=1), points=1)
            assert levels.heard == [1.0]
        # Each time one thing more may have come to the disk than could be told.
        assert len(confirmed) <= len(matches) <= len(confirmed) + kills
        with archive.database.reading() as session:
            for table in ("coolers", "calibrations"):
                counted = session.execute(text(f"SELECT count(*) FROM {table}"))  # noqa: S608
                assert counted.scalar_one() == len(matches)


@pytest.mark.skipif(os.name == "nt", reason="there are no forks on Windows")
def test_a_killed_writer_loses_nothing_and_leaves_nothing_by_half(tmp_path):
    """After SIGKILL at several moments all that was confirmed is whole, and no other part is."""
    rng = np.random.default_rng(99)
    confirmed = []
    with subprocess.Popen(
        [sys.executable, str(PROGRAM), str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        for kills in range(1, KILLS + 1):
            confirmed += confirmed_until_killed(process, rng)
            check_all(tmp_path, confirmed, kills)
        process.stdin.close()
        assert process.wait(20) == 0
    assert len(confirmed) >= KILLS
