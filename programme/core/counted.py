"""What is counted for whoever watches over the service, as text that Prometheus reads: no people and no sites in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

BUCKETS_S = (0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)
HERE = CollectorRegistry()
REQUESTS = Counter("ebbline_requests", "Answers, by pattern of address.", ["route", "status"], registry=HERE)
SECONDS = Histogram(
    "ebbline_request_seconds", "Until an answer began.", ["route"], buckets=BUCKETS_S, registry=HERE
)  # fmt: skip
FAILED_TASKS = Counter("ebbline_failed_tasks", "Tasks that ended in an error.", ["task"], registry=HERE)


@dataclass(frozen=True, slots=True, eq=False)
class Standing(Collector):
    """Figures that are read as they are asked for: {name: (meaning, value)}."""

    figures: Mapping[str, tuple[str, float]]

    def collect(self) -> Iterator[Metric]:
        for name, (words, value) in self.figures.items():
            yield GaugeMetricFamily(name, words, value=value)


def note_request(*, route: str, status: int, seconds: float) -> None:
    """Count one answer; its status as a class such as 2xx."""
    REQUESTS.labels(route, f"{status // 100}xx").inc()
    SECONDS.labels(route).observe(seconds)


def note_failed_task(sender: Any, **_: Any) -> None:
    """Count a task that failed, in the process of the worker."""
    FAILED_TASKS.labels(sender.name).inc()


def as_text(figures: Mapping[str, tuple[str, float]]) -> bytes:
    """Return what was counted, in all processes that share a folder or else in this one, and the figures of now."""
    counted = HERE
    if settings.METRICS_FOLDER is not None:
        counted = CollectorRegistry()
        MultiProcessCollector(counted, path=str(settings.METRICS_FOLDER))  # type: ignore[no-untyped-call]
    now = CollectorRegistry()
    now.register(Standing(figures))
    return generate_latest(counted) + generate_latest(now)
