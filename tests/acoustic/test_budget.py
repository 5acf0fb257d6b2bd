"""Uncertainty budgets against worked examples, tables of Student's t and drawn results."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.budget import CONVENTIONAL_COVERAGE, Budget, Component, difference
from acoustic.errors import InputError

# Values below 1e-6 dB stand for nothing, and their squares would not be numbers any more.
SIZES = st.one_of(st.just(0.0), st.floats(1e-6, 10.0))
CORRELATIONS = st.floats(-1.0, 1.0)
FREEDOMS = st.one_of(st.just(np.inf), st.floats(1.0, 100.0))


@st.composite
def budgets(draw, correlations=CORRELATIONS):
    """Draw a budget of up to six components."""
    names = draw(st.lists(st.sampled_from("abcdefgh"), min_size=1, max_size=6, unique=True))
    return Budget(
        tuple(
            Component(
                name,
                draw(SIZES),
                sensitivity=draw(st.sampled_from([-2.0, -0.5, 0.5, 1.0, 3.0])),
                degrees_of_freedom=draw(FREEDOMS),
                correlation=draw(correlations),
            )
            for name in names
        )
    )


def test_a_length_by_comparison():
    """The end gauge of ISO/IEC Guide 98-3, example H.1: 32 nm with 16.7 degrees of freedom."""
    length_m = 0.05
    gauge = Budget(
        (
            Component("standard", 25.0, degrees_of_freedom=18),
            Component("repeated observations", 5.8, degrees_of_freedom=24),
            Component("comparator, random", 3.9, degrees_of_freedom=5),
            Component("comparator, systematic", 6.7, degrees_of_freedom=8),
            Component.from_half_width(
                "expansion coefficients",
                1e-6,
                "rectangular",
                sensitivity=length_m * -0.1 * 1e9,
                degrees_of_freedom=50,
                unit="1/K",
            ),
            Component.from_half_width(
                "temperatures",
                0.05,
                "rectangular",
                sensitivity=length_m * 11.5e-6 * 1e9,
                degrees_of_freedom=2,
                unit="K",
            ),
        )
    )

    # The example rounds each contribution to 0.1 nm and the sum to 1 nm.
    assert gauge.components[4].contribution_db == pytest.approx(2.9, abs=0.05)
    assert gauge.components[5].contribution_db == pytest.approx(16.6, abs=0.05)
    assert gauge.combined_db == pytest.approx(32.0, abs=0.5)
    assert gauge.effective_degrees_of_freedom == pytest.approx(16.7, abs=0.15)
    # Between the tabulated 2.12 of 16 and 2.11 of 17.
    assert gauge.coverage_factor == pytest.approx(2.113, abs=0.003)


@pytest.mark.parametrize(
    ("distribution", "draw"),
    [
        ("rectangular", lambda rng, n: rng.uniform(-1, 1, n)),
        ("triangular", lambda rng, n: rng.triangular(-1, 0, 1, n)),
        ("U-shaped", lambda rng, n: np.sin(rng.uniform(0, 2 * np.pi, n))),
        ("normal", lambda rng, n: rng.normal(0, 0.5, n)),
    ],
)
def test_half_widths_become_the_deviation_of_what_they_stand_for(distribution, draw):
    """Drawn values of each distribution deviate as the standard uncertainty says."""
    drawn = draw(np.random.default_rng(1), 400_000)
    part = Component.from_half_width("x", 1.0, distribution)

    assert part.standard_uncertainty == pytest.approx(np.std(drawn), rel=0.005)


@pytest.mark.parametrize(
    ("freedom", "factor"),
    [(1, 12.706), (2, 4.303), (5, 2.571), (10, 2.228), (30, 2.042), (120, 1.980), (np.inf, 1.960)],
)
def test_coverage_factors_are_those_of_the_table(freedom, factor):
    """A single component's coverage factor is the tabulated Student's t for 95 %."""
    budget = Budget((Component("x", 0.2, degrees_of_freedom=freedom),))

    assert budget.coverage_factor == pytest.approx(factor, abs=6e-4)
    assert budget.U95_db == pytest.approx(0.2 * factor, abs=2e-4)


def test_two_equal_components_by_hand():
    """Two of 0.3 and 0.4 dB come to 0.5 dB; Welch-Satterthwaite gives 0.0625 / 0.00337."""
    budget = Budget(
        (
            Component("x", 0.3, degrees_of_freedom=10),
            Component("y", 0.2, sensitivity=-2.0, degrees_of_freedom=10),
        )
    )

    assert budget.combined_db == pytest.approx(0.5)
    assert budget.effective_degrees_of_freedom == pytest.approx(0.0625 / 0.00337)
    assert budget.expanded_db(CONVENTIONAL_COVERAGE) == pytest.approx(1.0)


@pytest.mark.parametrize("observations", [4, 8, 20])
def test_stated_intervals_cover(observations):
    """Of drawn means of few observations with an unknown offset, 93-97 % lie within U95."""
    rng = np.random.default_rng(2)
    runs = 4000
    seen = rng.normal(0.0, 0.3, (runs, observations))
    errors = seen.mean(axis=1) + rng.uniform(-0.1, 0.1, runs)
    scatter = seen.std(axis=1, ddof=1) / np.sqrt(observations)
    covered = 0
    for error, u in zip(errors, scatter, strict=True):
        budget = Budget(
            (
                Component("scatter", float(u), degrees_of_freedom=observations - 1),
                Component.from_half_width("offset", 0.1, "rectangular"),
            )
        )
        covered += abs(error) <= budget.U95_db

    assert 0.93 <= covered / runs <= 0.97


@pytest.mark.parametrize("r", [-0.7, 0.0, 0.4, 0.9, 1.0])
def test_differences_of_drawn_results_deviate_as_stated(r):
    """Two drawn results with one correlated cause differ by what the difference's budget says."""
    rng = np.random.default_rng(3)
    first_z, other_z = rng.standard_normal((2, 400_000))
    second_z = r * first_z + np.sqrt(1 - r**2) * other_z
    own = rng.normal(0, 0.1, (2, 400_000))
    drawn = 1.5 * 0.2 * first_z + own[0] - (-0.5 * 0.4 * second_z + own[1])
    one = Budget((Component("x", 0.2, sensitivity=1.5, correlation=r), Component("own", 0.1)))
    two = Budget((Component("x", 0.4, sensitivity=-0.5, correlation=r), Component("own", 0.1)))

    assert difference(one, two).combined_db == pytest.approx(np.std(drawn), rel=0.005)


@given(budget=budgets(st.just(1.0)))
def test_what_is_shared_wholly_cancels_exactly(budget):
    """A result differs from itself, through the same chain, by nothing at all."""
    assert difference(budget, budget).combined_db == 0.0


@given(budget=budgets(st.just(0.0)))
def test_what_is_not_shared_counts_twice(budget):
    """Without anything shared the difference is the root of two wider."""
    both = difference(budget, budget)

    assert both.combined_db == pytest.approx(np.sqrt(2) * budget.combined_db)
    # Two equal halves, each known as well as the whole was.
    assert both.effective_degrees_of_freedom == pytest.approx(
        2 * budget.effective_degrees_of_freedom
    )


@given(one=budgets(st.just(0.5)), two=budgets(st.just(0.5)))
def test_differences_have_no_direction_and_a_bound(one, two):
    """Either result may come first; with correlation the sum of both bounds the difference."""
    forth, back = difference(one, two).combined_db, difference(two, one).combined_db

    assert forth == pytest.approx(back)
    assert forth <= one.combined_db + two.combined_db + 1e-9


@given(budget=budgets(), factor=st.floats(0.01, 100))
def test_budgets_scale(budget, factor):
    """Larger causes by a factor widen the result by it and leave degrees of freedom alone."""
    larger = Budget(
        tuple(
            Component(
                part.name,
                factor * part.standard_uncertainty,
                sensitivity=part.sensitivity,
                degrees_of_freedom=part.degrees_of_freedom,
            )
            for part in budget.components
        )
    )

    assert larger.combined_db == pytest.approx(factor * budget.combined_db)
    assert larger.effective_degrees_of_freedom == pytest.approx(budget.effective_degrees_of_freedom)


@given(budget=budgets())
def test_the_whole_lies_between_its_largest_part_and_their_sum(budget):
    """Combined: at least the largest contribution, at most their sum; freedom: within its parts."""
    parts = [part.contribution_db for part in budget.components]
    least = min(part.degrees_of_freedom for part in budget.components)

    assert max(parts) <= budget.combined_db * (1 + 1e-12)
    assert budget.combined_db <= sum(parts) * (1 + 1e-12)
    assert budget.effective_degrees_of_freedom >= least * (1 - 1e-9)
    assert budget.coverage_factor >= 1.9599


def test_parts_of_one_side_only_stay():
    """A cause that only one of the results has does not cancel, shared or not."""
    one = Budget((Component("a", 0.3, correlation=1.0), Component("b", 0.4, "triangular")))
    two = Budget((Component("c", 1.2, correlation=1.0, degrees_of_freedom=7),))
    left = difference(one, two)

    assert [part.name for part in left.components] == ["a", "b", "c"]
    assert left.combined_db == pytest.approx(1.3)
    assert [part.correlation for part in left.components] == [0.0] * 3
    assert left.components[1].distribution == "triangular"
    assert left.components[2].degrees_of_freedom == 7


def test_rows_for_a_table():
    """Rows hold each component as text, then the combined and the expanded uncertainty."""
    budget = Budget(
        (
            Component.from_half_width("calibrator", 0.25, "rectangular"),
            Component("temperature", 1.0, sensitivity=-0.015, unit="K"),
        )
    )

    assert budget.rows() == (
        ("calibrator", "0.144 dB", "1", "0.144"),
        ("temperature", "1 K", "-0.015", "0.015"),
        ("combined", "", "", "0.145"),
        ("expanded, k = 1.96", "", "", "0.284"),
    )
    assert budget.rows(coverage_factor=2.0, decimals=2)[-1].contribution == "0.29"


@pytest.mark.parametrize(
    ("given_facts", "message"),
    [
        ({"standard_uncertainty": -0.1}, "'x' must be zero or a positive number, not -0.1"),
        ({"standard_uncertainty": np.nan}, "zero or a positive number"),
        ({"standard_uncertainty": np.inf}, "zero or a positive number"),
        ({"distribution": "square"}, "one of normal, rectangular, triangular, U-shaped"),
        ({"sensitivity": np.inf}, "sensitivity of 'x' must be a number"),
        ({"degrees_of_freedom": 0}, "observe it more often"),
        ({"degrees_of_freedom": np.nan}, "observe it more often"),
        ({"correlation": 1.1}, "from -1 to 1"),
    ],
)
def test_senseless_components_are_refused(given_facts, message):
    """Each number that cannot be is named with its component."""
    with pytest.raises(InputError, match=message):
        Component(**{"name": "x", "standard_uncertainty": 0.1} | given_facts)


def test_senseless_budgets_are_refused():
    """An unknown distribution, nothing at all, twice the same name, and two correlations."""
    part = Component("x", 0.1)

    with pytest.raises(InputError, match="not 'square'"):
        Component.from_half_width("x", 0.1, "square")
    with pytest.raises(InputError, match="at least one"):
        Budget(())
    with pytest.raises(InputError, match="names 'x' 2 times"):
        Budget((part, part))
    with pytest.raises(InputError, match="0 in one budget and of 1 in the other"):
        difference(Budget((part,)), Budget((Component("x", 0.1, correlation=1.0),)))
