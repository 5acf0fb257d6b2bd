import pytest

from service.errors import SettingsError
from service.simulation.catalogue import COOLERS, find_cooler
from service.simulation.population import random_cooler, random_room
from service.simulation.truth import cooler_level_db, machine_level_db


def level_at(cooler, fan_percent):
    """Return the true level with the fan at a duty and the pump at its lowest."""
    duties = {name: machine.min_duty_percent for name, machine in cooler.machines.items()}
    return cooler_level_db(cooler, duties | {"fan": fan_percent})


def test_catalogue_offers_every_case():
    """Towers, a twin that beats, two loops, one always below 40 dB(A) and one always above."""
    fans = {name: cooler.machines["fan"] for name, cooler in COOLERS.items()}
    pumps = [name for name, cooler in COOLERS.items() if "pump" in cooler.machines]

    assert len(COOLERS) >= 6
    assert pumps == ["Lagoon 240", "Estuary 360"]
    assert len(fans["Isthmus 2x140"].speed_ratios) == 2
    assert level_at(COOLERS["Moor 120"], 100.0) < 37.0
    assert level_at(COOLERS["Gannet 80"], 30.0) > 42.0
    for name in ("Fjord 140", "Isthmus 2x140", "Lagoon 240", "Estuary 360"):
        assert level_at(COOLERS[name], 100.0) > 45.0
        assert level_at(COOLERS[name], 30.0) < 35.0


@pytest.mark.parametrize("name", COOLERS)
def test_louder_with_more_duty(name):
    """From the lowest duty that turns to full speed the level spans at least 10 dB."""
    cooler = COOLERS[name]
    law = cooler.machines["fan"].law
    lowest = max(cooler.machines["fan"].min_duty_percent, law.restart_duty_percent)

    assert level_at(cooler, 100.0) - level_at(cooler, lowest) > 10.0


@pytest.mark.parametrize("name", ["Fjord 140", "fjord-140", "FJORD 140", "isthmus-2x140"])
def test_names_are_found_as_people_type_them(name):
    """Case does not matter, and a hyphen may stand for a space."""
    assert find_cooler(name).name.lower().replace(" ", "-") == name.lower().replace(" ", "-")


def test_unknown_name_is_answered_with_the_nearest():
    """A misspelt cooler is refused with the one that was probably meant, a strange one with all."""
    with pytest.raises(SettingsError, match=r"no cooler 'fjrd 140'; did you mean 'Fjord 140'\?"):
        find_cooler("fjrd 140")
    with pytest.raises(SettingsError, match=r"choose one of Fjord 140, Moor 120"):
        find_cooler("xyz")


def test_population_is_as_described():
    """Slopes, levels, resonances and time constants of 300 random coolers span their ranges."""
    coolers = [random_cooler(seed) for seed in range(300)]
    fans = [cooler.machines["fan"] for cooler in coolers]
    full_db = [machine_level_db(fan, fan.law.full_rpm) for fan in fans]
    bare_db = [
        level - sum(resonance.lift_db(fan.law.full_rpm) for resonance in fan.resonances)
        for level, fan in zip(full_db, fans, strict=True)
    ]
    resonances = [resonance for fan in fans for resonance in fan.resonances]
    pumps = sum("pump" in cooler.machines for cooler in coolers)

    for values, low, high in (
        ([fan.decade_db for fan in fans], 45.0, 65.0),
        ([fan.law.time_constant_s for fan in fans], 0.8, 3.0),
        ([fan.hunting_db for fan in fans], 0.1, 0.4),
        ([fan.hunting_s for fan in fans], 1.0, 5.0),
        ([resonance.height_db for resonance in resonances], 1.0, 4.0),
        ([2.0 * resonance.width_percent for resonance in resonances], 3.0, 8.0),
        (bare_db, 34.0, 55.0),
    ):
        margin = 0.6 if values is bare_db else 0.0  # tones, and unequal twins
        assert low - margin <= min(values) < low + 0.1 * (high - low)
        assert high + margin >= max(values) > high - 0.1 * (high - low)
    assert {len(fan.resonances) for fan in fans} == {0, 1, 2, 3}
    assert 60 < pumps < 120


def test_random_things_are_the_same_again():
    """A seed names one cooler and one room for ever."""
    assert random_cooler(7) == random_cooler(7)
    assert random_cooler(7) != random_cooler(8)
    assert random_room(7) == random_room(7)
    assert all(22.0 <= random_room(seed).floor_db <= 30.0 for seed in range(100))
