"""The command ``evenhush``: its commands, and the way from an error to a sentence and a code."""

import signal
import sys
from types import FrameType
from typing import NoReturn

import typer

from acoustic.errors import EvenhushError
from service.cli.analyse import analyse
from service.cli.bench import bench
from service.cli.calibrate import calibrate
from service.cli.data import data
from service.cli.demo import demo
from service.cli.demo_recordings import demo_recordings
from service.cli.excerpt import excerpt
from service.cli.floor import floor
from service.cli.hardware import hardware
from service.cli.inputs import inputs
from service.cli.match import match
from service.cli.orders import orders
from service.cli.recheck import recheck
from service.cli.replay import replay
from service.cli.report import report
from service.cli.schema import schema
from service.cli.spectrum import spectrum
from service.cli.sweep import sweep
from service.cli.tones import tones
from service.errors import SafetyStop

__all__ = ["app", "main"]

EXIT_NOT_DONE = 2
"""Could not be done: bad input, no device, no bench, interrupted."""
EXIT_SAFETY = 3
"""Stopped for safety."""

_INTERRUPTED = 130
"""What the command line library answers after Ctrl-C; no command of ours returns it."""

app = typer.Typer(
    name="evenhush",
    help="Match the noise of PC coolers to a target level, so that they compare at equal noise.",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for command in (
    demo,
    inputs,
    calibrate,
    floor,
    match,
    recheck,
    sweep,
    analyse,
    tones,
    orders,
    spectrum,
    excerpt,
    report,
    bench,
    hardware,
    replay,
    data,
):
    app.command()(command)
app.command()(schema)
app.command("demo-recordings")(demo_recordings)


@app.callback()
def _evenhush() -> None:
    """Keep ``evenhush COMMAND`` even if one day there is only one command."""


def main() -> None:
    """Run the command line, and turn every expected failure into one sentence on standard error."""
    signal.signal(signal.SIGTERM, _interrupt)
    try:
        code = app(sys.argv[1:] or ["--help"], standalone_mode=False)
    except SafetyStop as stop:
        _fail(str(stop), EXIT_SAFETY)
    except EvenhushError as error:
        _fail(str(error), EXIT_NOT_DONE)
    except typer.TyperException as error:
        hint = "'evenhush COMMAND --help' shows the options"
        _fail(f"{error.format_message().rstrip('.')}; {hint}.", EXIT_NOT_DONE)
    except typer.Abort:
        code = _INTERRUPTED
    if code == _INTERRUPTED:
        _fail("Interrupted; whatever was held has been released.", EXIT_NOT_DONE)
    sys.exit(code if isinstance(code, int) else 0)


def _interrupt(_number: int, _frame: FrameType | None) -> NoReturn:
    """Take a request to end as Ctrl-C, so that the same way out releases the bench."""
    raise KeyboardInterrupt


def _fail(sentence: str, code: int) -> NoReturn:
    """Print a sentence to standard error and leave."""
    print(f"evenhush: {sentence}", file=sys.stderr)
    sys.exit(code)
