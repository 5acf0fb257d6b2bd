"""A comparison as a table: a line a run."""

import csv
import io
from typing import Final

from service.documents.comparison import ComparedRunPart, ComparisonDocument

__all__ = ["comparison_table"]

_COLUMNS: Final = (
    "cooler", "load", "at", "rise_k", "U95_k", "highest_10_s_k", "LAeq_db", "level_U95_db",
    "slope_k_per_db", "power_w", "resistance_k_per_w", "resistance_U95_k_per_w",
    "common_power_rise_k", "common_power_U95_k", "processor_c", "ambient_c", "cycles", "used_s",
    "on_front", "price", "flags", "log",
)  # fmt: skip


def comparison_table(document: ComparisonDocument) -> str:
    """Write the runs of a comparison as CSV.

    Parameters
    ----------
    document : ComparisonDocument
        The comparison.

    Returns
    -------
    str
        A header and a line a run; what is not known is an empty cell.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for run in document.runs:
        writer.writerow(_row(run))
    return text.getvalue()


def _row(run: ComparedRunPart) -> list[str]:
    """One line."""
    level, common = run.level, run.common_power
    return [
        run.cooler,
        run.load,
        run.at,
        f"{run.rise_k:.2f}",
        f"{run.U95_k:.2f}",
        f"{run.highest_10_s_k:.2f}",
        *(("", "") if level is None else (f"{level.LAeq_db:.2f}", f"{level.U95_db:.2f}")),
        _cell(run.slope_k_per_db, 3),
        _cell(run.power_w, 2),
        _cell(run.resistance_k_per_w, 5),
        _cell(run.resistance_U95_k_per_w, 5),
        *(("", "") if common is None else (f"{common.rise_k:.2f}", f"{common.U95_k:.2f}")),
        f"{run.processor_c:.2f}",
        f"{run.ambient_c:.2f}",
        str(run.cycles),
        f"{run.used_s:.0f}",
        "yes" if run.on_front else "no",
        _cell(run.price, 2),
        "; ".join(run.flags),
        " + ".join(run.logs),
    ]


def _cell(value: float | None, digits: int) -> str:
    """A number, or nothing."""
    return "" if value is None else f"{value:.{digits}f}"
