"""``evenhush replay``: run the decisions of an earlier match again from its trail."""

from pathlib import Path
from typing import Annotated

import typer

from service.cli.options import AsJson
from service.cli.runtime import print_json

__all__ = ["replay"]


def replay(
    *,
    trail: Annotated[
        Path, typer.Argument(metavar="TRAIL", help="A .trail.jsonl file.", show_default=False)
    ],
    as_json: AsJson = False,
) -> int:
    """Run the decisions of an earlier match again and compare the result."""
    import json

    from calibration.steps import Remark
    from service.documents.trail import result_line
    from service.jobs.matching import replay as run_again
    from service.storage.trails import read_trail

    header, steps, recorded = read_trail(trail)
    taken = list(steps)
    result = run_again(header, taken)
    again = json.loads(result_line(result))["result"]
    same = recorded is None or again == recorded
    if as_json:
        print_json({"schema": "evenhush.replay/1", "identical": same, "result": again})
    else:
        for entry in taken:
            step = entry.step()
            if isinstance(step, Remark):
                print(step.text)
        print(f"{header.cooler}: {result.outcome}. {result.why}")
        print("the recorded result is the same" if same else "THE RECORDED RESULT DIFFERS")
    return 0 if same else 1
