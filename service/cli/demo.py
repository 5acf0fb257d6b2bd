"""``evenhush demo``: the whole job on a simulated room and benches."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import TaskID
    from rich.table import Table

    from service.documents.comparison import ComparisonDocument
    from service.documents.matched_settings import CoolerPart
    from service.wiring.demo import DemoResult

__all__ = ["demo"]


def demo(
    *,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")
    ] = Path("evenhush-demo"),
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="The same seed gives the same result.")
    ] = 1,
    target_db: Annotated[
        float, typer.Option("--target-db", help="Level to match every cooler to, dB(A).")
    ] = 40.0,
) -> int:
    """See the whole job done: no microphone, no cooler and no setting up needed.

    Calibrates a simulated microphone, checks a simulated room, matches six invented coolers over
    the bench control API, heats them at equal noise, and says which one is coldest. Writes
    settings, logs, pictures and trails.
    """
    from rich.console import Console

    from calibration.results import MatchRequest
    from service.wiring.demo import run_demo

    console = Console(highlight=False)
    request = MatchRequest(target_db=target_db, tolerance_db=0.3)
    with _LiveView(console) as view:
        result = run_demo(out, request, seed=seed, view=view)
    console.print()
    console.print(_result_table(result))
    if result.drift.remark:
        console.print(result.drift.remark)
    chain = result.document.chain
    console.print(
        f"Chain: drift {result.drift.drift_db:+.2f} dB; levels +-{chain.U95_absolute_db:.1f} dB "
        f"absolute, +-{chain.U95_comparative_db:.1f} dB between coolers (95 %)."
    )
    console.print()
    console.print(_comparison_table(result.comparison.document))
    for comparison in result.comparison.document.comparisons:
        sure = "outside the error" if comparison.coldest_for_sure else "not outside the error"
        console.print(
            f"Coldest at {comparison.at}: {comparison.coldest}, {sure} against every other."
        )
    console.print(
        f"\nComparison: {', '.join(path.name for path in result.comparison.files)}; logs in runs"
    )
    console.print(f"Settings for the thermal runs: {result.files[0]}")
    console.print(f"Table and pictures: {', '.join(path.name for path in result.files[1:4])}")
    console.print(f"Evidence: {', '.join(path.name for path in result.files[4:])}")
    trail = next(path for path in result.files if path.name.endswith(".trail.jsonl"))
    console.print(f"\nTry next:  evenhush replay {trail}")
    console.print("Then, with your own logs:  evenhush compare --help")
    console.print("Then, by hand:  evenhush bench --simulated   (its first lines say how)")
    return 2 if result.drift.void else 0


class _LiveView:
    """Shows what every cooler is doing, in place on a terminal and line by line elsewhere."""

    def __init__(self, console: "Console") -> None:
        from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

        self._console = console
        self._progress = Progress(
            SpinnerColumn(finished_text="*"),
            TextColumn("{task.fields[cooler]:<18}"),
            TextColumn("{task.description}"),
            TimeElapsedColumn(),
            console=console,
        )
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> "_LiveView":
        if self._console.is_terminal:
            self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._console.is_terminal:
            self._progress.stop()

    def say(self, text: str) -> None:
        """Show a remark about the whole series."""
        self._progress.console.print(f"[bold]{text}[/bold]")

    def cooler_says(self, cooler: str, text: str) -> None:
        """Show what one cooler is doing."""
        if not self._console.is_terminal:
            self._console.print(f"{cooler}: {text}")
        elif cooler in self._tasks:
            self._progress.update(self._tasks[cooler], description=text)
        else:
            self._tasks[cooler] = self._progress.add_task(text, total=None, cooler=cooler)

    def cooler_done(self, part: "CoolerPart") -> None:
        """Show that one cooler is done."""
        self.cooler_says(part.cooler, part.outcome)
        if self._console.is_terminal:
            self._progress.update(self._tasks[part.cooler], total=1, completed=1)


def _result_table(result: "DemoResult") -> "Table":
    """Put the results into a table."""
    from rich import box
    from rich.table import Table

    target = result.document.target
    table = Table(
        title=f"Matched to {target.LAeq_db:g} +-{target.tolerance_db:g} dB(A)",
        title_justify="left",
        box=box.SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    table.add_column("cooler", no_wrap=True)
    table.add_column("outcome")
    for heading in ("fan", "pump", "level, dB(A)", "over\nfloor", "heard"):
        table.add_column(heading, justify="right", no_wrap=heading != "over\nfloor")
    for part in result.document.coolers:
        level = "-"
        if part.level is not None:
            level = f"{part.level.LAeq_db:.2f} +-{part.level.U95_db:.2f}"
        margin = "-" if part.margin_db is None else f"{part.margin_db:.1f} dB"
        table.add_row(
            part.cooler,
            part.outcome.replace("-", " "),
            _speeds(part, "fan"),
            _speeds(part, "pump"),
            level,
            margin,
            f"{part.listened_s:.0f} s",
        )
    return table


def _comparison_table(document: "ComparisonDocument") -> "Table":
    """Put the rises of every cooler into a table."""
    from rich import box
    from rich.table import Table

    settings = list(dict.fromkeys(run.at for run in document.runs))
    table = Table(
        title="Temperature rise over the air, K (95 %), and level",
        title_justify="left",
        box=box.SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    table.add_column("cooler", no_wrap=True)
    for at in settings:
        table.add_column(at, justify="right", no_wrap=True)
    for cooler in dict.fromkeys(run.cooler for run in document.runs):
        cells = []
        for at in settings:
            (run,) = [each for each in document.runs if (each.cooler, each.at) == (cooler, at)]
            level = "" if run.level is None else f", {run.level.LAeq_db:.1f} dB(A)"
            front = " *" if run.on_front else "  "
            cells.append(f"{run.rise_k:.1f} +-{run.U95_k:.1f}{level}{front}")
        table.add_row(cooler, *cells)
    table.caption = "* nothing is both colder and quieter"
    table.caption_justify = "left"
    return table


def _speeds(part: "CoolerPart", role: str) -> str:
    """Duty and speed of a role in a few characters."""
    found = [setting for name, setting in (part.settings or {}).items() if name.startswith(role)]
    if not found:
        return "-"
    speeds = "/".join("?" if setting.rpm is None else f"{setting.rpm:.0f}" for setting in found)
    return f"{found[0].duty_percent:.1f} %\n{speeds} rpm"
