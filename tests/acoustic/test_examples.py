"""The examples in the documentation of the package."""

import doctest
import importlib
import pkgutil

import pytest

import acoustic

MODULES = sorted(module.name for module in pkgutil.iter_modules(acoustic.__path__))


@pytest.mark.parametrize("name", MODULES)
def test_examples_give_what_they_say(name):
    """Every example in a docstring runs and prints what stands there."""
    # An example needs numpy and what its module holds, no more.
    module = importlib.import_module(f"acoustic.{name}")

    assert doctest.testmod(module).failed == 0
