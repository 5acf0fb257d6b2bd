import numpy as np
import pytest

from service.simulation.wander import Wander, energy_bias_db


@pytest.mark.parametrize("step_s", [0.02, 0.05, 0.25])
def test_scatter_and_memory_do_not_depend_on_the_step(step_s):
    """Standard deviation and the correlation over one time constant are as asked at any step."""
    time_constant_s, count = 2.0, round(20_000 / step_s) // 4
    wander = Wander(0.3, time_constant_s, step_s, np.random.default_rng(3))

    values = np.array([wander.step() for _ in range(count)])

    lag = round(time_constant_s / step_s)
    correlation = np.corrcoef(values[:-lag], values[lag:])[0, 1]
    assert values.std() == pytest.approx(0.3, rel=0.06)  # about 1250 independent values
    assert correlation == pytest.approx(np.exp(-1.0), abs=0.08)


def test_energy_bias_is_what_scatter_adds():
    """The mean energy of a normally scattered level lies above its mean by the closed form."""
    levels_db = np.random.default_rng(1).normal(0.0, 0.4, 1_000_000)

    energy_db = 10.0 * np.log10(np.mean(10.0 ** (levels_db / 10.0)))

    assert energy_db == pytest.approx(energy_bias_db(0.4), abs=0.002)
