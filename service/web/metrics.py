"""What a monitoring system reads, in the text format of Prometheus."""

from collections.abc import Iterable

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric

from service.wiring.lab import Lab

__all__ = ["LabMetrics"]


class LabMetrics:
    """Collects the state of the lab whenever somebody asks.

    Parameters
    ----------
    lab : Lab
        The lab.
    """

    def __init__(self, lab: Lab) -> None:
        self._lab = lab
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(self)

    def text(self) -> bytes:
        """Return all figures."""
        return generate_latest(self._registry)

    def collect(self) -> Iterable[Metric]:
        """Yield each figure; what is not known is left out."""
        status, frame = self._lab.status(), self._lab.live.newest
        yield _gauge("input_connected", "Whether the sound input delivers", status.input.connected)
        if frame is not None and frame.calibrated and frame.valid:
            yield _gauge("level_LAF_db", "Level F now, dB re 20 uPa", frame.LAF_db)
            yield _gauge("level_LAeq_1s_db", "LAeq of the last second", frame.LAeq_1s_db)
        if status.floor is not None:
            yield _gauge("floor_LAeq_db", "LAeq of the last floor check", status.floor.LAeq_db)
            yield _gauge(
                "floor_fit_for_target_db",
                "Lowest target the room is fit for",
                status.floor.fit_for_target_db,
            )
        if status.calibration.age_s is not None:
            yield _gauge(
                "calibration_age_seconds", "Age of the calibration", status.calibration.age_s
            )
        yield _gauge("calibration_due", "Whether to calibrate first", status.calibration.due)
        if status.bench is not None:
            control = GaugeMetricFamily(
                "evenhush_bench_control", "Who sets the speeds", labels=["control"]
            )
            for state in ("own", "leased", "safe", "unreachable"):
                control.add_metric([state], float(status.bench.control == state))
            yield control
            rpm = GaugeMetricFamily("evenhush_rpm", "Speed of fans and pumps", labels=["actuator"])
            for name, actuator in status.bench.actuators.items():
                if actuator.rpm is not None:
                    rpm.add_metric([name], actuator.rpm)
            yield rpm
            celsius = GaugeMetricFamily(
                "evenhush_temperature_celsius", "Temperatures of the bench", labels=["sensor"]
            )
            for name, value in status.bench.temperatures_c.items():
                celsius.add_metric([name], value)
            yield celsius
        yield _gauge("queue_length", "Measurements that wait", status.queue_length)
        yield _gauge("problems", "What is wrong now", len(status.problems))


def _gauge(name: str, what: str, value: float) -> Metric:
    """Make a figure without labels."""
    return GaugeMetricFamily(f"evenhush_{name}", what, value=float(value))
