"""A progress bar on standard error, where a person watches."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["progress_bar"]


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[float], None]]:
    """Show how far something is; in a pipe or a log file, show nothing.

    Parameters
    ----------
    what : str
        What is being done.

    Yields
    ------
    callable
        To be told the share that is done, 0 to 1.
    """
    if not sys.stderr.isatty():
        yield lambda _: None
        return

    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)
