"""A program that moves two fans kept in a file, as the programs of fan hubs do.

``fan_program.py FILE set NAME PERCENT``, ``auto NAME``, ``show NAME`` or ``heat``.
"""

import json
import sys
import time
from pathlib import Path


def main(path: Path, task: str, name: str = "", percent: str = "") -> None:
    """Do the task."""
    state = json.loads(path.read_text(encoding="utf-8"))
    match state.get("fault"):
        case "hang":
            time.sleep(60)  # noqa: TID251 - it is to hang
        case "fail":
            sys.stderr.write("hub: no answer\non its bus\n")
            sys.exit(3)
        case "babble":
            sys.stdout.write("hello\n")
            return
    match task:
        case "set":
            state["manual"][name] = float(percent)
        case "auto":
            state["manual"].pop(name, None)
        case "show":
            duty = state["manual"].get(name, state["own"][name])
            sys.stdout.write(f"{name}: duty {duty} %, speed {20 * duty:.0f} rpm\n")
        case "heat":
            sys.stdout.write(f"processor {state['celsius']} C\n")
    if task in {"set", "auto"}:
        path.write_text(json.dumps(state), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
