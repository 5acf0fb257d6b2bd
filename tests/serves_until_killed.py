"""A lab that serves the simulated bench named by its arguments, until it is killed.

Its first line on standard output is its address.
"""

import sys
import threading
from pathlib import Path

from matches_until_killed import Quick

from service.settings import Settings
from service.storage.archive import Archive
from service.web.serving import LabServer
from service.wiring.lab import Lab


def main(folder, name, url):
    """Serve for ever."""
    settings = Settings(input=f"simulated:{name}", bench=url)
    lab = Lab(settings, folder, Archive(folder), Quick(settings, folder))
    with LabServer(lab, address="127.0.0.1", port=0, token=None) as server:
        lab.start()
        sys.stdout.write(f"{server.url}\n")
        sys.stdout.flush()
        threading.Event().wait()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
