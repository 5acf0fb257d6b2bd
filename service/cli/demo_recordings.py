"""``evenhush demo-recordings``: write the demo recordings again."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["demo_recordings"]


def demo_recordings(
    *,
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder to write to.", show_default=False)
    ],
) -> int:
    """Write the demo recordings, each with a sidecar that says what is true of it."""
    from service.wiring.recordings import make_demo_recordings

    for path in make_demo_recordings(folder):
        print(path)
    return 0
