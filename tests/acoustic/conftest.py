"""Oracles that several tests share."""

import importlib
import warnings

import pytest
import scipy.special


@pytest.fixture(scope="session")
def independent():
    """Return a loader of modules of the acoustics package, which knows nothing of ours."""
    # The package asks SciPy for a function that is gone, at import only, and has old escapes.
    with pytest.MonkeyPatch.context() as patch, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        patch.setattr(scipy.special, "sph_harm", None, raising=False)
        importlib.import_module("acoustics")
    return lambda name: importlib.import_module(f"acoustics.{name}")
