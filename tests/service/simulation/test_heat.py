import numpy as np
import pytest

from service.simulation.catalogue import COOLERS
from service.simulation.heat import Heat, own_duty_percent
from service.simulation.plant import Plant


def settled_c(cooler, duty_percent, load_w):
    """Return the temperature at which the processor comes to rest with every duty the same."""
    rpm = {name: m.law.settled_rpm(duty_percent) for name, m in cooler.machines.items()}
    heat = Heat(cooler, load_w, 22.0, 60.0)
    for _ in range(5000):
        heat.step(rpm, 1.0)
    return heat.processor_c


@pytest.mark.parametrize("name", COOLERS)
def test_faster_is_colder(name):
    """Every cooler keeps the processor colder the faster everything turns."""
    temperatures_c = [settled_c(COOLERS[name], duty, 120.0) for duty in (50.0, 75.0, 100.0)]

    assert temperatures_c[0] > temperatures_c[1] > temperatures_c[2] > 22.0


def test_temperature_follows_the_load_and_ends_at_the_room():
    """Twice the load is twice the rise over the room; no load is the room's temperature."""
    idle_c, half_c, full_c = (settled_c(COOLERS["Fjord 140"], 60.0, w) for w in (0.0, 60.0, 120.0))

    assert idle_c == pytest.approx(22.0)
    assert full_c - 22.0 == pytest.approx(2.0 * (half_c - 22.0))


def test_the_plant_follows_its_load():
    """More load makes the processor of a plant hotter, and its own control turns the fan up."""
    plant = Plant(COOLERS["Fjord 140"], seed=1)
    before = plant.read()
    plant.set_load(200.0)

    plant.advance(120.0)

    assert plant.read().processor_c > before.processor_c + 5.0
    assert plant.read().duty_percent["fan"] > before.duty_percent["fan"] + 5.0


def test_a_stopped_fan_lets_the_processor_overheat_within_minutes():
    """With its fan at rest a loaded processor passes its limit, but not at once."""
    plant = Plant(COOLERS["Fjord 140"], seed=1)
    plant.set_duty({"fan": 15.0})

    plant.advance(5.0)
    soon_c = plant.read().processor_c
    plant.advance(175.0)

    assert soon_c < 75.0
    assert plant.read().processor_c > 90.0


@pytest.mark.parametrize("name", COOLERS)
def test_own_control_starts_at_rest_and_is_safe(name):
    """A plant begins where its own control holds it, below the limit and without drifting."""
    plant = Plant(COOLERS[name], seed=1)
    start = plant.read()

    plant.advance(200.0)

    assert start.processor_c < 80.0
    assert plant.read().processor_c == pytest.approx(start.processor_c, abs=1.0)
    assert all(rpm > 0.0 for rpm in start.rpm.values())


def test_own_curve_rises_from_lowest_to_full():
    """Cold it asks for the lowest duty that surely turns, hot for everything, never less."""
    cooler = COOLERS["Estuary 360"]
    curve = [own_duty_percent(cooler, celsius) for celsius in np.arange(0.0, 120.0, 1.0)]

    assert curve[0] == {"fan": 24.0, "pump": 30.0}
    assert curve[-1] == {"fan": 100.0, "pump": 100.0}
    for name in curve[0]:
        assert np.all(np.diff([duties[name] for duties in curve]) >= 0.0)


def test_the_die_leads_and_the_metal_lags():
    """After a step of load the die jumps within seconds and the rest takes a minute or more."""
    cooler = COOLERS["Fjord 140"]
    rpm = {"fan": 1700.0}
    heat = Heat(cooler, 0.0, 22.0, 22.0)
    heat.load_w = 100.0
    rises_c = []
    for _ in range(20 * 600):
        heat.step(rpm, 0.05)
        rises_c.append(heat.processor_c - 22.0)

    # 0.10 K/W across the die at once; 0.22 K/W in all; 220 J/K through 0.12 K/W is 26 s.
    assert rises_c[10 * 20 - 1] == pytest.approx(10.0 + 12.0 * (1 - np.exp(-10.0 / 26.4)), abs=0.8)
    assert rises_c[-1] == pytest.approx(22.0, abs=0.01)
