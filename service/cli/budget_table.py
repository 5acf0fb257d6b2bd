"""Uncertainty budgets as tables for a person."""

import math

from acoustic.budget import Budget, Component, difference
from service.cli.runtime import remark

__all__ = ["show_budget", "show_comparison"]

_HEADINGS = ("cause", "u, dB", "spread", "freedom", "dB per dB", "adds, dB", "")


def show_budget(what: str, budget: Budget, coverage_factor: float | None = None) -> None:
    """Print a budget to standard error.

    Parameters
    ----------
    what : str
        What is uncertain, for the line above the table.
    budget : Budget
        Its components.
    coverage_factor : float, optional
        Agreed coverage factor; by default Student's t for 95 %.
    """
    k = budget.coverage_factor if coverage_factor is None else coverage_factor
    rows = [_HEADINGS, *(_cells(part) for part in budget.components)]
    rows.append(("all together", "", "", "", "", f"{budget.combined_db:.3f}", ""))
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEADINGS))]
    lines = [f"{what}:"]
    for row in rows:
        name, *numbers, note = (
            text.ljust(width) if column in {0, 2, 6} else text.rjust(width)
            for column, (text, width) in enumerate(zip(row, widths, strict=True))
        )
        lines.append("  " + "  ".join((name, *numbers, note)).rstrip())
    lines.append(f"  95 % within +-{budget.expanded_db(k):.3f} dB (k = {k:.2f})")
    remark("\n".join(lines))


def show_comparison(budget: Budget) -> None:
    """Say what is left of a budget between two coolers of the same series, to standard error.

    Parameters
    ----------
    budget : Budget
        Whole budget of one level.
    """
    left = difference(budget, budget)
    gone = [part.name for part in left.components if part.contribution_db == 0.0]
    remark(
        f"against a cooler of the same series that is known as well: 95 % within "
        f"+-{left.U95_db:.3f} dB, as {' and '.join([', '.join(gone[:-1]), *gone[-1:]][-2:])} cancel"
    )


def _cells(part: Component) -> tuple[str, ...]:
    """One component, cell by cell."""
    freedom = part.degrees_of_freedom
    return (
        part.name,
        f"{part.standard_uncertainty:.3f}",
        part.distribution,
        f"{freedom:.1f}" if math.isfinite(freedom) else "-",
        f"{part.sensitivity:+.2f}",
        f"{part.contribution_db:.3f}",
        "shared" if part.correlation == 1.0 else "",
    )
