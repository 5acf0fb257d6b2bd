"""A lab that matches a cooler on the simulated bench named by its arguments, until it is killed.

It says on standard output what it has come to.
"""

import sys
from pathlib import Path

from lab_doubles import LabOnTest

from service.documents.jobs import CalibrateJob, FloorJob, MatchJob
from service.live.pace import Pace
from service.settings import Settings
from service.wiring.lab_equipment import RealEquipment


class Quick(RealEquipment):
    """The same equipment, as fast as it goes."""

    def __init__(self, settings, data_folder):
        super().__init__(settings, data_folder, lambda _: None)
        self.pace = Pace(speed=None, waits=True, on_demand=True)


def main(folder, name, url):
    """Calibrate, hear the floor, and match for ever."""
    settings = Settings(input=f"simulated:{name}", bench=url)
    lab = LabOnTest(folder, room=Quick(settings, folder))
    lab.do(CalibrateJob(seconds=2.0))
    lab.do(FloorJob(seconds=8.0))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    job = lab.queue.add(MatchJob(cooler="Moor 120", targets_db=[45.0, 33.0]), "anna")
    lab.until(job, "waiting-for-person")
    lab.queue.go_on(job.id, "anna")
    lab.until_said(job, "going for 33db")
    sys.stdout.write(f"{job.id}\n")
    sys.stdout.flush()
    lab.until(job, "done", "refused", "failed", "stopped")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
