"""``evenhush compare``: thermal runs beside one another, at equal noise."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import AsJson, ConfigFile, DataFolder
from service.cli.progress import progress_bar
from service.cli.runtime import open_session, print_json, remark

if TYPE_CHECKING:
    from service.documents.comparison import ComparedRunPart, ComparisonDocument, ComparisonPart
    from service.wiring.comparing import ComparisonRequest

__all__ = ["compare"]


def compare(
    *,
    runs: Annotated[
        list[str],
        typer.Argument(
            metavar="RUN...",
            help="A run's log, as COOLER@TARGET@LOAD=LOG; TARGET in dB or 'full', LOAD any name; "
            "all but the log may be missing. Several logs of one run: LOG+LOG.",
            show_default=False,
        ),
    ],
    settings: Annotated[
        list[Path] | None,
        typer.Option(
            "--settings",
            metavar="FILE",
            help="Matched settings, or a profile, that the runs were set to; several may be given.",
            show_default=False,
        ),
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(
            "--column",
            metavar="WHAT=NAME",
            help="Which column is the time, processor, ambient, power, level, fan or pump: "
            "'power=A + B', 'ambient=T2 [F]', 'level=-' for none.",
            show_default=False,
        ),
    ] = None,
    ambient_c: Annotated[
        float | None,
        typer.Option(
            "--ambient-c",
            help="Temperature of the air, where the logs do not have it.",
            show_default=False,
        ),
    ] = None,
    same_power: Annotated[
        bool,
        typer.Option("--same-power", help="Bring the rises of each load to one power."),
    ] = False,
    power_w: Annotated[
        float | None,
        typer.Option(
            "--power-w",
            min=0.1,
            help="That power [default: the median of the runs].",
            show_default=False,
        ),
    ] = None,
    mounting_k: Annotated[
        float,
        typer.Option(
            "--mounting-k",
            min=0.0,
            help="What mounting a cooler again changes, half-width at 95 %; added to each run.",
        ),
    ] = 0.0,
    price: Annotated[
        list[str] | None,
        typer.Option(
            "--price",
            metavar="COOLER=PRICE",
            help="What a cooler costs; several may be given.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="Write the comparison here.", show_default=False
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv", metavar="FILE", help="Write a table of the runs here.", show_default=False
        ),
    ] = None,
    picture: Annotated[
        list[Path] | None,
        typer.Option(
            "--picture",
            metavar="FILE",
            help="Draw rise over level here (.png or .svg); several may be given.",
            show_default=False,
        ),
    ] = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    as_json: AsJson = False,
) -> int:
    """Compare coolers by the logs of their thermal runs.

    What is damaged in a log is mended or left out, and said.
    """
    from service.storage.column_memory import ColumnMemory
    from service.wiring.analysis import picture_form
    from service.wiring.comparing import (
        ComparisonRequest,
        compare_runs,
        run_request,
        write_comparison,
    )

    for path in picture or []:
        # Before long logs are read.
        picture_form(path)
    request = ComparisonRequest(
        runs=[run_request(text) for text in runs],
        settings=settings or [],
        columns=_pairs(column, "--column", "WHAT=NAME"),
        ambient_c=ambient_c,
        same_power=same_power,
        power_w=power_w,
        mounting_k=mounting_k,
        prices=_prices(price),
        memory=ColumnMemory(open_session(config, data).data_folder),
    )
    if not as_json:
        _confirm(request)
    with progress_bar(f"{len(runs)} runs" if len(runs) > 1 else "1 run") as progress:
        document = compare_runs(request, progress=progress)
    saved = write_comparison(document, out=out, csv=csv, pictures=picture or [])
    if as_json:
        print_json(document.to_plain())
    else:
        _show(document)
        for path in saved:
            print(f"saved: {path}")
    return 0


def _confirm(request: "ComparisonRequest") -> None:
    """Ask a person at a terminal about columns that nobody has seen yet."""
    from service.wiring.run_log_files import unconfirmed_columns

    memory = request.memory
    if memory is None or sys.stdin is None or not sys.stdin.isatty():
        return
    paths = [path for run in request.runs for path in run.logs]
    for names, words in unconfirmed_columns(paths, request.columns or {}, memory).items():
        remark(
            f"{words}. Press Enter if that is right, and it is not asked again; else Ctrl-C, and "
            "say it with --column."
        )
        if sys.stdin.readline():
            memory.remember(names, {})


def _pairs(texts: list[str] | None, option: str, form: str) -> dict[str, str]:
    """Cut ``NAME=VALUE`` in two."""
    from service.errors import SettingsError

    pairs = {}
    for text in texts or []:
        name, found, value = text.partition("=")
        if not found or not name.strip() or not value.strip():
            raise SettingsError(f"{option} takes {form}, not {text!r}.")
        pairs[name.strip()] = value.strip()
    return pairs


def _prices(texts: list[str] | None) -> dict[str, float]:
    """Read what coolers cost."""
    from service.errors import SettingsError

    prices = {}
    for cooler, text in _pairs(texts, "--price", "COOLER=PRICE").items():
        try:
            prices[cooler] = float(text)
        except ValueError as error:
            raise SettingsError(f"--price {cooler}={text} is no number.") from error
    return prices


def _show(document: "ComparisonDocument") -> None:
    """Print a comparison for a person."""
    for run in document.runs:
        _show_run(run)
    for comparison in document.comparisons:
        _show_comparison(comparison)
    for leakage in document.leakage:
        of_load = f" of {leakage.load}" if leakage.load else ""
        print(
            f"power{of_load}: all brought to {leakage.power_w:.1f} W at "
            f"{leakage.reference_c:.0f} C, rising by {leakage.percent_per_10_k:.1f} % for 10 K"
        )
    for text in document.warnings:
        print(f"note: {text}")


def _show_run(run: "ComparedRunPart") -> None:
    """Print one run."""
    load = f", {run.load}" if run.load else ""
    print(f"{run.cooler}, {run.at}{load}: {run.rise_k:.2f} +-{run.U95_k:.2f} K over the air")
    kind = f"{run.cycles} cycles of {run.period_s:.0f} s" if run.period_s else "steady load"
    words = [kind, f"{run.used_s / 60.0:.1f} min used", f"highest 10 s {run.highest_10_s_k:.1f} K"]
    if run.power_w is not None and run.resistance_k_per_w is not None:
        words += [f"{run.power_w:.1f} W", f"{run.resistance_k_per_w:.4f} K/W"]
    if run.level is not None:
        words.append(f"{run.level.LAeq_db:.1f} +-{run.level.U95_db:.1f} dB(A)")
    if run.slope_k_per_db is not None:
        words.append(f"{run.slope_k_per_db:+.2f} K/dB")
    if run.on_front:
        words.append("on the lower-left front")
    if run.price is not None:
        words.append(f"price {run.price:g}")
    print("  " + ", ".join(words))
    if run.common_power is not None:
        common = run.common_power
        print(f"  at the common power {common.rise_k:.2f} +-{common.U95_k:.2f} K")
    print(f"  {' + '.join(run.logs)}: {run.columns}")
    for text in (*run.remarks, *run.flags):
        print(f"  note: {text}")


def _show_comparison(comparison: "ComparisonPart") -> None:
    """Print one comparison."""
    load = f", {comparison.load}" if comparison.load else ""
    sure = "for sure" if comparison.coldest_for_sure else "but not for sure"
    print(f"{comparison.at}{load}: coldest is {comparison.coldest}, {sure}")
    for each in comparison.differences:
        word = "outside" if each.outside_error else "within"
        print(
            f"  {each.first} less {each.second}: {each.difference_k:+.2f} +-{each.U95_k:.2f} K, "
            f"{word} the error"
        )
