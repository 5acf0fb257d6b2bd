"""What a kill at any moment leaves of a lab: its archive, what it had confirmed, and the bench.

Run as ``python tests/benchmarks/lab_kills.py [--kills 50] [--seed 3]``: a real server is started
over and over on one data folder, measures on the simulated bench as fast as it goes, takes up what
broke before, and is killed without warning. Nothing is asserted.
"""

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lab_kills import kill_labs


def main() -> None:
    """Kill and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=3)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = kill_labs(Path(folder), given.kills, seed=given.seed)
    sys.stdout.write(
        f"{found.kills} kills, {found.broke} of them during a measurement, {found.leased} with the "
        f"bench leased: {found.confirmed} confirmed things, lost {found.lost or 'none'}; damage: "
        f"{found.damage or 'none'}; bench not back: {found.unsafe or 'never'}\n"
    )


if __name__ == "__main__":
    main()
