"""Logs of simulated runs whose steady rise is known, for tests and benchmarks.

The plant's own heat model runs with an exact load; the truth is what the same model comes to
without noise, drift of the room and warm-up. A load that wanders, a sensor that rounds, gaps,
spikes and a clock that is off are put on top.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from calibration.run_log import RunLog
from service.simulation.catalogue import find_cooler
from service.simulation.cooler import Cooler
from service.simulation.heat import Heat

STEP_S = 0.1


@dataclass(frozen=True)
class RunPlan:
    """What is simulated."""

    cooler: Cooler
    speed_share: float = 0.6
    pump_share: float = 0.8
    load_w: float = 120.0
    seconds: float = 1800.0
    period_s: float = 0.0
    high_share: float = 0.7
    low_w: float = 30.0
    idle_s: float = 30.0
    rate_hz: float = 1.0
    ambient_c: float = 23.0
    ambient_drift_k: float = 0.0
    wander_w: float = 1.5
    wander_s: float = 20.0
    leakage_per_k: float = 0.0
    resolution_c: float = 0.1
    sensor_noise_k: float = 0.3
    gaps: int = 0
    spikes: int = 0
    faults: dict[str, float] = field(default_factory=dict)

    @property
    def rpm(self) -> dict[str, float]:
        """Speeds of its machines."""
        shares = {"fan": self.speed_share, "pump": self.pump_share}
        return {
            name: shares[machine.role] * machine.law.full_rpm
            for name, machine in self.cooler.machines.items()
        }


def _load(plan: RunPlan, time_s: np.ndarray) -> np.ndarray:
    """Load without wander."""
    since = time_s - plan.idle_s
    high = np.full(time_s.size, plan.load_w)
    if plan.period_s:
        high = np.where((since % plan.period_s) < plan.high_share * plan.period_s, high, plan.low_w)
    return np.where(since < 0.0, plan.low_w, high)


def _course(
    plan: RunPlan, load_w: np.ndarray, ambient_c: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Temperature and power at every step."""
    heat = Heat(plan.cooler, plan.low_w, plan.ambient_c, plan.ambient_c + 8.0)
    processor_c, power_w = np.empty(load_w.size), np.empty(load_w.size)
    rpm = plan.rpm
    for place in range(load_w.size):
        watts = load_w[place] * (1.0 + plan.leakage_per_k * (heat.processor_c - 60.0))
        heat.load_w, heat.ambient_c = watts, ambient_c[place]
        heat.step(rpm, STEP_S)
        processor_c[place], power_w[place] = heat.processor_c, watts
    return processor_c, power_w


def true_rise_k(plan: RunPlan) -> float:
    """Rise in the steady state, over the second half of the high phase if the load cycles."""
    still = replace(plan, ambient_drift_k=0.0, wander_w=0.0, idle_s=0.0, seconds=6000.0)
    if plan.period_s:
        still = replace(still, seconds=plan.period_s * np.ceil(6000.0 / plan.period_s))
    time_s = np.arange(round(still.seconds / STEP_S)) * STEP_S
    processor_c, _ = _course(still, _load(still, time_s), np.full(time_s.size, plan.ambient_c))
    if not plan.period_s:
        return float(processor_c[-1] - plan.ambient_c)
    high_s = plan.high_share * plan.period_s
    into = time_s - (still.seconds - plan.period_s)
    part = (into >= 0.5 * high_s) & (into < 0.95 * high_s)
    return float(processor_c[part].mean() - plan.ambient_c)


def _wander(rng: np.random.Generator, count: int, sd: float, tau_s: float) -> np.ndarray:
    """First-order wander."""
    decay = np.exp(-STEP_S / tau_s)
    noise = rng.standard_normal(count) * sd * np.sqrt(1.0 - decay**2)
    noise[0] = sd * rng.standard_normal()
    course = np.empty(count)
    value = 0.0
    for place in range(count):
        value = decay * value + noise[place]
        course[place] = value
    return course


def simulated_log(plan: RunPlan, rng: np.random.Generator) -> RunLog:
    """Draw the log of a run."""
    count = round((plan.seconds + plan.idle_s) / STEP_S)
    time_s = np.arange(count) * STEP_S
    load_w = _load(plan, time_s) + _wander(rng, count, plan.wander_w, plan.wander_s)
    way = np.cumsum(rng.standard_normal(20))
    drift = np.interp(time_s, np.linspace(0.0, time_s[-1], 20), way - way[0])
    drift *= plan.ambient_drift_k / max(float(np.ptp(drift)), 1e-9)
    ambient_c = plan.ambient_c + drift
    processor_c, power_w = _course(plan, load_w, ambient_c)
    every = round(1.0 / plan.rate_hz / STEP_S)
    taken = slice(None, None, every)
    processor_c = processor_c[taken] + plan.sensor_noise_k * rng.standard_normal(len(time_s[taken]))
    processor_c = np.round(processor_c / plan.resolution_c) * plan.resolution_c
    air_c = ambient_c[taken] + 0.05 * rng.standard_normal(processor_c.size)
    air_c = np.round(air_c, 1)
    watts = power_w[taken] * (1.0 + 0.005 * rng.standard_normal(processor_c.size))
    time_s = time_s[taken]
    for place in rng.integers(10, time_s.size - 10, plan.spikes):
        processor_c[place] = rng.choice([0.0, 127.0, processor_c[place] + 35.0])
        watts[place] = rng.choice([0.0, 3.0 * watts[place]])
    keep = np.ones(time_s.size, dtype=bool)
    for begin_s in rng.uniform(0.0, time_s[-1], plan.gaps):
        keep &= (time_s < begin_s) | (time_s > begin_s + rng.uniform(2.0, 30.0))
    speeds = {
        name: np.round(rpm * (1.0 + 0.003 * rng.standard_normal(time_s.size)))[keep]
        for name, rpm in plan.rpm.items()
    }
    return RunLog(
        time_s[keep] - time_s[keep][0], processor_c[keep], air_c[keep], watts[keep], None, speeds
    )


def any_plan(rng: np.random.Generator) -> RunPlan:
    """Draw a plan: steady or cycling, with faults."""
    cooler = find_cooler(str(rng.choice(["Fjord 140", "Lagoon 240"])))
    cycling = bool(rng.random() < 0.5)
    return RunPlan(
        cooler,
        speed_share=float(rng.uniform(0.4, 1.0)),
        pump_share=float(rng.uniform(0.5, 1.0)),
        load_w=float(rng.uniform(80.0, 160.0)),
        seconds=float(rng.choice([1500.0, 2400.0, 3600.0])),
        period_s=float(rng.uniform(40.0, 120.0)) if cycling else 0.0,
        high_share=float(rng.uniform(0.5, 0.8)),
        rate_hz=float(rng.choice([1.0, 2.0, 5.0, 10.0])),
        ambient_drift_k=float(rng.uniform(0.0, 2.0)),
        wander_w=float(rng.uniform(0.5, 3.0)),
        wander_s=float(rng.choice([5.0, 20.0, 60.0])),
        resolution_c=float(rng.choice([0.1, 0.5, 1.0])),
        gaps=int(rng.integers(0, 4)),
        spikes=int(rng.integers(0, 6)),
    )
