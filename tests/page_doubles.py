"""A served lab, and a page of it that notes what goes wrong, for tests in a browser."""

import re
from contextlib import ExitStack
from datetime import timedelta

import kept_documents as draw
import numpy as np
from lab_doubles import LabOnTest, Room
from playwright.sync_api import expect

from service.clock import utc_now
from service.documents.jobs import MatchJob, RecheckJob
from service.live.pace import Pace
from service.web.serving import LabServer
from service.wiring.lab_demo import DEMO_INPUT, demo_coolers

__all__ = ["WAIT_MS", "BrowsedLab", "Tab"]

WAIT_MS = 20_000
"""How long a page may take to show something, on a busy machine."""
expect.set_options(timeout=WAIT_MS)


class BrowsedLab(LabOnTest):
    """A lab with the simulated coolers, served on a free port; a context manager.

    It goes as many times faster than real time as a busy machine can follow: were its sound read
    as fast as pages want to hear it, fans would stand still for seconds between two calls.
    """

    def __init__(self, folder, *, speed=16.0, token=None, **serve):
        room = Room(seed=4)
        room.pace = Pace(speed, waits=True)
        super().__init__(folder, room=room, **serve)
        for cooler in demo_coolers():
            self.lab.archive.coolers.add(cooler)
        self._served = ExitStack()
        server = LabServer(self.lab, address="127.0.0.1", port=0, token=token)
        self._served.enter_context(server)
        self.url = server.url

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._served.close()

    def make_ready(self):
        """Calibrate and hear the floor where that was not done."""
        status = self.lab.status()
        if status.calibration.id is None:
            self.calibrate()
        if status.floor is None or not status.floor.fit_to_use:
            self.hear_floor()

    def entry_of(self, cooler):
        """Return the id of a cooler."""
        return next(
            one.id for one in self.lab.archive.coolers.list(limit=200).items if one.name == cooler
        )

    def matched(self, cooler="Fjord 140", target_db=36.0):
        """Return a match of a cooler to a target, which is made where there is none."""
        self.make_ready()
        found = self.lab.archive.matches.list(cooler=cooler, target_db=target_db).items
        if not found:
            self.do(MatchJob(cooler=cooler, targets_db=[target_db]))
            found = self.lab.archive.matches.list(cooler=cooler, target_db=target_db).items
        return found[0]

    def calm(self):
        """Go no faster than real time from now on, as nothing is measured any more."""
        self.lab._hub._keeper._speed = 1.0

    def keep_documents(self):
        """Keep what takes long to measure, as drawn documents: a sweep, levels, matches."""
        archive, rng = self.lab.archive, np.random.default_rng(1)
        now = utc_now().replace(second=0, microsecond=0)
        archive.profiles.add(draw.profile(rng, now))
        for days in range(1, 6):
            time = now - timedelta(days=days)
            heard = draw.calibration(rng, time, source=DEMO_INPUT)
            archive.calibrations.add(heard, next_due=time + timedelta(days=1))
            archive.floors.add(draw.floor(rng, time, source=DEMO_INPUT), scheduled=True)
            document = draw.match(rng, time, cooler="Estuary 360", of=heard)
            archive.matches.add(document, source=DEMO_INPUT, calibration=heard, trail=None)
        for minutes in range(1, 31):
            start = now - timedelta(minutes=minutes)
            archive.levels.add(draw.level_minute(rng, start, source=DEMO_INPUT)).result()

    def rechecked(self, cooler="Fjord 140"):
        """Check a cooler again where that was not done."""
        self.matched(cooler)
        if not self.lab.archive.rechecks.list(cooler=cooler).items:
            self.do(RecheckJob(cooler=cooler))


class Tab:
    """A page in a context of its own."""

    def __init__(self, context, url, *, expected=None):
        context.set_default_timeout(WAIT_MS)
        self.url = url
        self.page = context.new_page()
        self.faults = []
        self.expected = expected
        """Pattern of complaints that a test brings about."""
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.faults.append(f"error: {error}"))
        self.page.on("requestfailed", self._failed)
        self.page.add_init_script(
            "document.addEventListener('securitypolicyviolation', (found) =>"
            " console.error(`policy: ${found.violatedDirective} ${found.blockedURI}`))"
        )
        self.page.goto(url)

    def _console(self, message):
        if message.type in {"error", "warning"} and not (
            self.expected and re.search(self.expected, message.text)
        ):
            self.faults.append(f"console: {message.text} {message.location}")

    def _failed(self, request):
        # What was asked for by a view that was left meanwhile is given up.
        if request.failure != "net::ERR_ABORTED":
            self.faults.append(f"not loaded: {request.url} {request.failure}")

    def show(self, view):
        """Go to a view, such as ``coolers``, and return the page."""
        self.page.evaluate("(view) => { location.hash = `#/${view}`; }", view)
        expect(self.page.get_by_role("main").get_by_role("heading", level=1)).to_be_visible()
        return self.page

    def close(self):
        """Close it with its context."""
        self.page.context.close()
