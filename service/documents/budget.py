"""Uncertainty budgets as documents carry them: one row a component."""

import math
from collections.abc import Iterable
from typing import Self

from acoustic.budget import Budget, Component, Distribution
from service.documents.base import Part

__all__ = ["BudgetRow", "budget_from", "rows_of"]

_DECIMALS = 5
"""Fine enough that an interval made from the rows is the stated one to its last digit."""


class BudgetRow(Part):
    """One independent cause of uncertainty."""

    component: str
    """What it is."""
    u_db: float
    """Its standard uncertainty."""
    distribution: Distribution
    """How its values are spread."""
    sensitivity: float
    """How far the level moves with it, in dB per dB."""
    degrees_of_freedom: float | None
    """How well the standard uncertainty is known; null where it is known well enough for k = 1.96:
    a stated bound, or a standard error that allows for its own doubt."""
    contribution_db: float
    """What it adds to the standard uncertainty of the level."""
    shared: bool
    """Whether all levels of the same chain and series have it in common, so that it cancels where
    their sensitivities agree when two are compared."""

    @classmethod
    def of(cls, part: Component) -> Self:
        """Put a component into a row."""
        freedom = part.degrees_of_freedom
        return cls(
            component=part.name,
            u_db=round(part.standard_uncertainty, _DECIMALS),
            distribution=part.distribution,
            sensitivity=round(part.sensitivity, _DECIMALS),
            degrees_of_freedom=round(freedom, 1) if math.isfinite(freedom) else None,
            contribution_db=round(part.contribution_db, _DECIMALS),
            shared=part.correlation == 1.0,
        )

    def to_component(self) -> Component:
        """Return the component that the row stands for."""
        freedom = self.degrees_of_freedom
        return Component(
            self.component,
            self.u_db,
            self.distribution,
            self.sensitivity,
            math.inf if freedom is None else freedom,
            1.0 if self.shared else 0.0,
        )


def rows_of(budget: Budget) -> list[BudgetRow]:
    """Put a budget into rows, a row a component."""
    return [BudgetRow.of(part) for part in budget.components]


def budget_from(*lists: Iterable[BudgetRow]) -> Budget:
    """Return the budget that rows stand for.

    Parameters
    ----------
    *lists : iterable of BudgetRow
        Rows; several lists are put together.

    Returns
    -------
    Budget
        The budget.

    Raises
    ------
    InputError
        If there is no row, two have one name, or a number cannot be what it stands for.
    """
    return Budget(tuple(row.to_component() for rows in lists for row in rows))
