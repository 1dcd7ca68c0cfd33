"""Figures of a running server for Prometheus: counts and times, nothing about anybody."""

from __future__ import annotations

from collections import Counter as Counts
from collections.abc import Callable, Iterator
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Histogram, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4

from faultml.service.connections import Connections

MEDIA_TYPE: Final = CONTENT_TYPE_PLAIN_0_0_4
METHODS: Final = frozenset({"DELETE", "GET", "HEAD", "OPTIONS", "PATCH", "POST", "PUT"})
_BUCKETS_S: Final = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0)


class Metrics:
    """The figures of one server.

    Parameters
    ----------
    connections
        Everybody who is connected.
    states
        The state of every season that is kept, asked whenever the figures are.
    """

    def __init__(self, connections: Connections, states: Callable[[], list[str]]) -> None:
        self._registry = CollectorRegistry()
        self._requests = Counter(
            "faultml_requests", "Requests answered; 499: the client left.", ["method", "route", "status"],
            registry=self._registry,
        )  # fmt: skip
        self._spent = Histogram(
            "faultml_request_seconds", "From a request's head to the end of its answer.", ["route"],
            buckets=_BUCKETS_S, registry=self._registry,
        )  # fmt: skip
        self._registry.register(_State(connections, states))
        ProcessCollector(registry=self._registry)

    def count(self, method: str, route: str, status: int, spent_s: float) -> None:
        """Count an answered request; `route` is its pattern, for paths hold names of players."""
        self._requests.labels(method if method in METHODS else "other", route, str(status)).inc()
        self._spent.labels(route).observe(spent_s)

    def text(self) -> bytes:
        """Every figure in Prometheus' text format."""
        return generate_latest(self._registry)


class _State:
    """What is counted elsewhere and looked at when asked."""

    def __init__(self, connections: Connections, states: Callable[[], list[str]]) -> None:
        self._connections = connections
        self._states = states

    def describe(self) -> list[Metric]:
        """None beforehand, so that nothing is looked at before the server runs."""
        return []

    def collect(self) -> Iterator[Metric]:
        """The figures."""
        yield GaugeMetricFamily("faultml_connections", "Connections now.", value=len(self._connections))
        closed = CounterMetricFamily(
            "faultml_connections_closed", "Closed before their time.", labels=["reason"]
        )
        for reason, count in sorted(self._connections.closed.items()):
            closed.add_metric([reason], count)
        yield closed
        seasons = GaugeMetricFamily(
            "faultml_seasons", "Seasons that are kept, of all servers.", labels=["state"]
        )
        for state, count in sorted(Counts(self._states()).items()):
            seasons.add_metric([state], count)
        yield seasons
