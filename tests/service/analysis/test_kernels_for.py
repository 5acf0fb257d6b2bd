"""Which inner loops a recording is measured with."""

import subprocess
import sys

import pytest

from acoustic import array_kernels
from service.wiring.kernels import kernels_for


def test_short_sound_is_not_worth_loading_the_compiler():
    """A short recording is measured with NumPy, and the compiler is not even imported."""
    code = (
        "import sys; from service.wiring.kernels import kernels_for; kernels_for(60.0); "
        "sys.exit('numba' in sys.modules)"
    )

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_long_sound_is_measured_with_compiled_loops():
    """Hours of sound, or sound without an end, use the compiler where it is installed."""
    compiled_kernels = pytest.importorskip("acoustic.compiled_kernels")

    assert kernels_for(3600.0) is compiled_kernels
    assert kernels_for(float("inf")) is compiled_kernels


@pytest.mark.parametrize("missing", ["numba", "acoustic.compiled_kernels"])
def test_without_a_usable_compiler_numpy_does_it(missing, monkeypatch):
    """A compiler that is missing, or does not suit the rest, is done without in silence."""
    monkeypatch.delattr("acoustic.compiled_kernels", raising=False)
    monkeypatch.setitem(sys.modules, missing, None)

    assert kernels_for(3600.0) is array_kernels
