"""``evenhush`` on a machine whose clock is set by an hour: run as ``stepped_clock.py FILE WORDS…``.

The clock is an hour ahead as soon as FILE exists. It is replaced where the product asks for it and
where a library might; the monotonic clock goes on, as it does when a clock is set.
"""

import datetime as dt
import sys
import time
from pathlib import Path
from typing import Any

import service.clock
from service.cli.main import main

SET = Path(sys.argv[1])
real_time = time.time


def stepped_s() -> float:
    """By how much the clock is wrong now."""
    return 3600.0 if SET.exists() else 0.0


class SteppedDatetime(dt.datetime):
    """A calendar that follows the clock."""

    @classmethod
    def now(cls, tz: dt.tzinfo | None = None) -> Any:
        """Return the moment the clock shows."""
        return super().now(tz) + dt.timedelta(seconds=stepped_s())


time.time = lambda: real_time() + stepped_s()
service.clock.datetime = SteppedDatetime  # type: ignore[misc]
sys.argv = ["evenhush", *sys.argv[2:]]
sys.exit(main())
