"""Uncertainty budgets: what makes a level uncertain, and how it adds up.

A budget lists independent components of one result. Two results of the same measuring chain share
some of them, wholly or in part; `difference` lets those cancel by their correlation.
"""

from collections import Counter
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple, Self, get_args

import numpy as np
from scipy.special import stdtrit

from acoustic.errors import InputError

__all__ = [
    "CONVENTIONAL_COVERAGE",
    "Budget",
    "BudgetRow",
    "Component",
    "Distribution",
    "difference",
]

Distribution = Literal["normal", "rectangular", "triangular", "U-shaped"]
"""How the values of a component are spread."""

CONVENTIONAL_COVERAGE: Final = 2.0
"""Coverage factor that certificates use for about 95 % (ISO/IEC Guide 98-3)."""

_HALF_WIDTHS_PER_U: Final[dict[Distribution, float]] = {
    "normal": CONVENTIONAL_COVERAGE,
    "rectangular": float(np.sqrt(3.0)),
    "triangular": float(np.sqrt(6.0)),
    "U-shaped": float(np.sqrt(2.0)),
}
"""Half-width over standard uncertainty (ISO/IEC Guide 98-3)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One independent cause of uncertainty.

    Raises
    ------
    InputError
        If a number cannot be what it stands for.
    """

    name: str
    """What it is, in words for a table."""
    standard_uncertainty: float
    """Standard uncertainty of the cause, in `unit`."""
    distribution: Distribution = "normal"
    """How its values are spread."""
    sensitivity: float = 1.0
    """How far the result moves with it, in dB per `unit`; the sign counts in a difference."""
    degrees_of_freedom: float = np.inf
    """How well its standard uncertainty is known: observations less what was fitted to them;
    infinite for a stated bound."""
    correlation: float = 0.0
    """Correlation with the component of the same name in another result of the same chain: 1 for
    what both share, such as the calibrator; 0 for what each has of its own."""
    unit: str = "dB"
    """Unit of the cause."""

    def __post_init__(self) -> None:
        if self.distribution not in get_args(Distribution):
            raise InputError(
                f"The distribution of '{self.name}' must be one of "
                f"{', '.join(get_args(Distribution))}, not {self.distribution!r}."
            )
        if not 0.0 <= self.standard_uncertainty < np.inf:
            raise InputError(
                f"The uncertainty of '{self.name}' must be zero or a positive number, not "
                f"{self.standard_uncertainty}."
            )
        if not np.isfinite(self.sensitivity):
            raise InputError(
                f"The sensitivity of '{self.name}' must be a number, not {self.sensitivity}."
            )
        if not self.degrees_of_freedom >= 1.0:
            raise InputError(
                f"'{self.name}' has {self.degrees_of_freedom} degrees of freedom; at least 1 is "
                "needed to state an uncertainty, so observe it more often."
            )
        if not -1.0 <= self.correlation <= 1.0:
            raise InputError(
                f"The correlation of '{self.name}' must lie from -1 to 1, not {self.correlation}."
            )

    @classmethod
    def from_half_width(
        cls,
        name: str,
        half_width: float,
        distribution: Distribution,
        *,
        sensitivity: float = 1.0,
        degrees_of_freedom: float = np.inf,
        correlation: float = 0.0,
        unit: str = "dB",
    ) -> Self:
        """Make a component from the half-width of an interval.

        Parameters
        ----------
        name : str
            What it is, in words for a table.
        half_width : float
            Half-width in `unit`: for the normal distribution that of an interval of about 95 %
            (k = 2), as certificates state it; for the others the bound of all values.
        distribution : {"normal", "rectangular", "triangular", "U-shaped"}
            How its values are spread.
        sensitivity, degrees_of_freedom, correlation, unit
            As the fields of the same names.

        Returns
        -------
        Component
            The component with its standard uncertainty.

        Raises
        ------
        InputError
            If a number cannot be what it stands for.

        Examples
        --------
        >>> round(Component.from_half_width("calibrator", 0.25, "rectangular").contribution_db, 3)
        0.144
        """
        return cls(
            name,
            half_width / _HALF_WIDTHS_PER_U.get(distribution, np.nan),
            distribution,
            sensitivity,
            degrees_of_freedom,
            correlation,
            unit,
        )

    @property
    def contribution_db(self) -> float:
        """Standard uncertainty of the result from this cause alone, in dB."""
        return abs(self.sensitivity) * self.standard_uncertainty


class BudgetRow(NamedTuple):
    """A row of a table, as text; what does not apply is empty."""

    name: str
    """What it is."""
    standard_uncertainty: str
    """Standard uncertainty with its unit."""
    sensitivity: str
    """Sensitivity in dB per unit."""
    contribution: str
    """What it adds to the result, in dB."""


@dataclass(frozen=True, slots=True)
class Budget:
    """Everything that makes one result uncertain.

    Raises
    ------
    InputError
        If there is no component or two have one name.
    """

    components: tuple[Component, ...]
    """The components; independent of one another."""

    def __post_init__(self) -> None:
        if not self.components:
            raise InputError("An uncertainty budget needs at least one component.")
        name, count = Counter(part.name for part in self.components).most_common(1)[0]
        if count > 1:
            raise InputError(
                f"The uncertainty budget names '{name}' {count} times; give each its own name."
            )

    @property
    def combined_db(self) -> float:
        """Combined standard uncertainty in dB: root sum of squares of the contributions."""
        return float(np.linalg.norm([part.contribution_db for part in self.components]))

    @property
    def effective_degrees_of_freedom(self) -> float:
        """Degrees of freedom of the combined standard uncertainty, after Welch-Satterthwaite."""
        combined_db = self.combined_db
        if combined_db == 0.0:
            return float(np.inf)
        # Shares before the fourth power, which would not hold very small uncertainties.
        spent = sum(
            (part.contribution_db / combined_db) ** 4 / part.degrees_of_freedom
            for part in self.components
        )
        return float(1.0 / spent) if spent > 0.0 else float(np.inf)

    @property
    def coverage_factor(self) -> float:
        """Half-width of the 95 % interval over the combined uncertainty, from Student's t."""
        return float(stdtrit(self.effective_degrees_of_freedom, 0.975))

    @property
    def U95_db(self) -> float:
        """Half-width of the 95 % interval in dB, from Student's t."""
        return self.expanded_db(self.coverage_factor)

    def with_more(self, other: "Budget") -> "Budget":
        """Put the components of another budget to these.

        Parameters
        ----------
        other : Budget
            What else makes the same result uncertain.

        Returns
        -------
        Budget
            All components.

        Raises
        ------
        InputError
            If both name a component alike.
        """
        return Budget((*self.components, *other.components))

    def expanded_db(self, coverage_factor: float) -> float:
        """Half-width of an interval with a coverage factor that is agreed beforehand.

        Parameters
        ----------
        coverage_factor : float
            For instance `CONVENTIONAL_COVERAGE`.

        Returns
        -------
        float
            Expanded uncertainty in dB.
        """
        return coverage_factor * self.combined_db

    def rows(
        self, *, coverage_factor: float | None = None, decimals: int = 3
    ) -> tuple[BudgetRow, ...]:
        """Write the budget as the rows of a table.

        Parameters
        ----------
        coverage_factor : float, optional
            Agreed coverage factor of the last row; by default Student's t for 95 %.
        decimals : int, optional
            Decimals of the contributions.

        Returns
        -------
        tuple of BudgetRow
            A row for each component in order, then the combined and the expanded uncertainty.

        Examples
        --------
        >>> shown = Budget((Component.from_half_width("air", 2.0, "U-shaped",
        ...                                           sensitivity=0.05, unit="K"),))
        >>> for row in shown.rows(coverage_factor=2.0):
        ...     row[:4]
        ('air', '1.41 K', '0.05', '0.071')
        ('combined', '', '', '0.071')
        ('expanded, k = 2.00', '', '', '0.141')
        """
        k = self.coverage_factor if coverage_factor is None else coverage_factor
        return (
            *(
                BudgetRow(
                    part.name,
                    f"{part.standard_uncertainty:.3g} {part.unit}",
                    f"{part.sensitivity:.3g}",
                    f"{part.contribution_db:.{decimals}f}",
                )
                for part in self.components
            ),
            BudgetRow("combined", "", "", f"{self.combined_db:.{decimals}f}"),
            BudgetRow(f"expanded, k = {k:.2f}", "", "", f"{self.expanded_db(k):.{decimals}f}"),
        )


def difference(first: Budget, second: Budget) -> Budget:
    """Budget of the difference of two results of the same chain.

    Parameters
    ----------
    first, second : Budget
        Budgets of the two results. Components of one name with a correlation are the same cause.

    Returns
    -------
    Budget
        Correlated pairs as one component each, which is zero where they cancel; all others
        from both sides. As these are what is left over, none is correlated with anything.

    Raises
    ------
    InputError
        If a cause has another correlation on the other side.

    Notes
    -----
    u^2 = u1^2 + u2^2 - 2 r u1 u2 for each pair, with the signs of the sensitivities
    (ISO/IEC Guide 98-3). What is left of a pair counts with the fewer of its two degrees of
    freedom.

    Examples
    --------
    >>> level = Budget((Component("calibrator", 0.15, correlation=1.0), Component("place", 0.1)))
    >>> for part in difference(level, level).components:
    ...     part.name, part.contribution_db
    ('calibrator', 0.0)
    ('place, first', 0.1)
    ('place, second', 0.1)
    """
    others = {part.name: part for part in second.components}
    left: list[Component] = []
    for part in first.components:
        other = others.pop(part.name, None)
        if other is None:
            left.append(_own(part, part.name))
        elif other.correlation != part.correlation:
            raise InputError(
                f"'{part.name}' has a correlation of {part.correlation:g} in one budget and of "
                f"{other.correlation:g} in the other; one cause has one."
            )
        elif part.correlation == 0.0:
            left += [_own(part, f"{part.name}, first"), _own(other, f"{part.name}, second")]
        else:
            left.append(_left_over(part, other))
    return Budget((*left, *(_own(part, part.name) for part in others.values())))


def _own(part: Component, name: str) -> Component:
    """Keep a component that nothing cancels."""
    return Component(
        name,
        part.standard_uncertainty,
        part.distribution,
        part.sensitivity,
        part.degrees_of_freedom,
        unit=part.unit,
    )


def _left_over(part: Component, other: Component) -> Component:
    """Return what a correlated pair leaves in the difference."""
    r = part.correlation
    one = part.sensitivity * part.standard_uncertainty
    two = other.sensitivity * other.standard_uncertainty
    # The same as the sum with -2 r u1 u2, but exactly zero where equal parts cancel.
    variance = (1.0 - r) * (one**2 + two**2) + r * (one - two) ** 2
    return Component(
        part.name,
        float(np.sqrt(max(variance, 0.0))),
        part.distribution if part.distribution == other.distribution else "normal",
        degrees_of_freedom=min(part.degrees_of_freedom, other.degrees_of_freedom),
    )
