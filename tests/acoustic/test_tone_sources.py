"""Names of tones against made-up machines whose truth is known, and hand-made coincidences."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_machines import made_machine

from acoustic.errors import InputError
from acoustic.rotors import Electricity, Rotor
from acoustic.tone_following import HeardAtSpeed, what_moves
from acoustic.tone_sources import name_tones

FAN = Rotor("fan", 1500.0, "fan", blades=7, poles=4)
PUMP = Rotor("pump", 2700.0, "pump", blades=6, poles=8)


def best_of(frequencies_hz, rotors, *args, **kwargs):
    """Source and name of the first explanation of each tone."""
    found = name_tones(frequencies_hz, rotors, *args, **kwargs).tones
    return [(tone.best.source, tone.best.name) for tone in found]


def test_usual_tones_have_their_usual_names():
    """Blade-pass, commutation, vane-pass, hum and switching are called so."""
    turn_hz, pump_hz = 25.0, 45.0
    named = best_of(
        [7 * turn_hz, 14 * turn_hz, 4 * turn_hz, 6 * pump_hz, 8 * pump_hz, 120.0, 700.0, 3333.0],
        [FAN, PUMP],
        Electricity(60.0, 700.0),
    )

    # 700 Hz is also four blade-passes, 350 Hz two.
    assert named[:6] == [
        ("fan", "blade-pass"),
        ("fan", "blade-pass x2"),
        ("fan", "commutation"),
        ("pump", "vane-pass"),
        ("pump", "commutation"),
        ("mains", "mains hum x2"),
    ]
    assert named[7] == ("unexplained", "unexplained")


def test_orders_of_made_machines_are_named_right():
    """Of the tones of rotors at least 98 % have their rotor and order, and the truth is listed."""
    rng = np.random.default_rng(12)
    right, listed, count = 0, 0, 0
    for _ in range(60):
        machine = made_machine(rng)
        found = name_tones(
            [tone.frequency_hz for tone in machine.tones], machine.rotors, machine.electricity
        )
        for tone, named in zip(machine.tones, found.tones, strict=True):
            if tone.source in {"mains", "unexplained"}:
                continue
            truth = (tone.source, tone.order)
            count += 1
            right += (named.best.source, named.best.order) == truth
            listed += truth in {(each.source, each.order) for each in named.explanations}

    assert count > 300
    assert right >= 0.98 * count
    assert listed >= 0.99 * count


def test_tones_tell_the_speed_better_than_the_tachometer():
    """A speed read 0.6 % too low is put right by the tones, to 0.02 %."""
    read = Rotor("fan", 1491.0, "fan", blades=7, poles=4)
    found = name_tones([175.0, 350.0, 525.0, 1050.0], [read])

    assert found.rpm["fan"] == pytest.approx(1500.0, rel=2e-4)
    assert [tone.best.order for tone in found.tones] == [7, 14, 21, 42]
    assert found.other_rpm == {}


def test_two_explanations_of_one_frequency_share_it():
    """Where blade-pass and hum lie on one frequency, neither is called sure."""
    fan = Rotor("fan", 857.1, "fan", blades=7)
    (tone,) = name_tones([99.99], [fan], Electricity(50.0)).tones
    listed = {each.name: each.probability for each in tone.explanations}

    assert tone.grade != "sure"
    assert listed["blade-pass"] > 0.1
    assert listed["mains hum x2"] > 0.1
    assert sum(listed.values()) == pytest.approx(1.0, abs=0.02)


def test_one_order_can_have_two_names():
    """An order that is both blade-pass and commutation says both and is sure all the same."""
    fan = Rotor("fan", 1500.0, "fan", blades=8, poles=4)
    (tone,) = name_tones([200.0], [fan], Electricity(None)).tones

    assert tone.best.name == "blade-pass or commutation x2"
    assert tone.grade == "sure"


def test_a_second_fan_without_a_tachometer_is_another_fan():
    """Blade-pass tones 1.3 % beside those of the fan that is read belong to another one."""
    fan = Rotor("fan", 1500.0, "fan", blades=7, twins=1)
    named = best_of([175.0, 350.0, 177.3, 354.6], [fan], Electricity(None))

    assert named == [
        ("fan", "blade-pass"),
        ("fan", "blade-pass x2"),
        ("another fan", "blade-pass"),
        ("another fan", "blade-pass x2"),
    ]


@pytest.mark.parametrize("read_rpm", [756.0, 1000.0, 3024.0])
def test_a_wrong_speed_is_told(read_rpm):
    """A fan that is read at half, two thirds or twice its speed is told by its blade-passes."""
    true_hz = 9 * 1512.0 / 60.0 * np.arange(1, 5)
    read = Rotor("fan", read_rpm, "fan", blades=9)
    found = name_tones(list(true_hz), [read], Electricity(None))

    assert found.other_rpm["fan"] == pytest.approx(1512.0, rel=0.001)


def test_what_stays_is_no_order():
    """A tone on an order that stays while the speed changes is a resonance or electrical."""
    stays = best_of([175.0], [FAN], Electricity(None), moves_with=[""])
    follows = best_of([175.0], [FAN], Electricity(87.5), moves_with=["fan"])

    assert stays == [("unexplained", "resonance or electrical")]
    assert follows == [("fan", "blade-pass")]


def test_settings_tell_what_follows_and_what_stays():
    """Of five settings blade-passes follow the fan, pump orders the pump, hum and a peak stay."""
    settings = [
        HeardAtSpeed(
            {"fan": fan, "pump": pump},
            [7 * fan / 60, 14 * fan / 60, 8 * pump / 60, 100.0, 643.0, 1000.0 + 31 * place],
        )
        for place, (fan, pump) in enumerate(
            [(1700, 2600), (1400, 2600), (1130, 2400), (900, 2400), (700, 2100)]
        )
    ]

    assert what_moves(settings) == [["fan", "fan", "pump", "", "", None]] * 5


def test_few_settings_tell_nothing():
    """One setting, or two at which nothing changed, leave everything open."""
    one = HeardAtSpeed({"fan": 1000.0}, [100.0, 500.0])
    same = HeardAtSpeed({"fan": 1004.0}, [100.0, 500.0])

    assert what_moves([one]) == [[None, None]]
    assert what_moves([one, same, same]) == [[None, None]] * 3


def test_a_machine_that_cannot_be_is_refused():
    """Speeds and numbers that are none, and two rotors of one name, are errors."""
    with pytest.raises(InputError, match="above 0"):
        Rotor("fan", 0.0)
    with pytest.raises(InputError, match="cannot have 0 blades"):
        Rotor("fan", 100.0, blades=0)
    with pytest.raises(InputError, match="one name"):
        name_tones([100.0], [FAN, FAN])
    with pytest.raises(InputError, match="do not fit"):
        name_tones([100.0], [FAN], moves_with=[])


@given(
    frequencies_hz=st.lists(st.floats(89.1, 11_200), max_size=12),
    rpm=st.lists(st.floats(100, 20_000), max_size=3),
)
def test_probabilities_are_probabilities(frequencies_hz, rpm):
    """Whatever the tones and speeds, each tone has explanations that sum to nearly one."""
    rotors = [Rotor(f"fan {place}", speed, blades=5) for place, speed in enumerate(rpm)]
    found = name_tones(frequencies_hz, rotors)

    assert [tone.frequency_hz for tone in found.tones] == frequencies_hz
    for tone in found.tones:
        chances = [each.probability for each in tone.explanations]
        assert chances == sorted(chances, reverse=True)
        assert 0.6 < sum(chances) < 1.001
