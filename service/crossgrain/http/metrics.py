"""Counts and times for Prometheus: by route template, never by address, and of no patient."""

import os
from pathlib import Path

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead

CONTENT_TYPE = CONTENT_TYPE_LATEST
_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0)


class Metrics:
    """One set per app. With ``PROMETHEUS_MULTIPROC_DIR`` all workers are added up."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self.requests = Counter(
            "crossgrain_requests",
            "Requests by route template, method and status.",
            ("route", "method", "status"),
            registry=self._registry,
        )
        self.seconds = Histogram(
            "crossgrain_request_seconds",
            "Time from the request's arrival to the end of its answer.",
            ("route",),
            buckets=_SECONDS,
            registry=self._registry,
        )
        self.in_flight = Gauge(
            "crossgrain_requests_in_flight",
            "Requests under way.",
            multiprocess_mode="livesum",
            registry=self._registry,
        )
        self.cards = Counter(
            "crossgrain_cds_cards",
            "CDS Hooks calls by hook and by the indicator of their card, or none.",
            ("hook", "indicator"),
            registry=self._registry,
        )
        self.feedback = Counter(
            "crossgrain_cds_feedback",
            "What became of cards.",
            ("service", "outcome", "reason"),
            registry=self._registry,
        )

    def page(self) -> bytes:
        """Everything, in Prometheus' text form."""
        if "PROMETHEUS_MULTIPROC_DIR" not in os.environ:
            return generate_latest(self._registry)
        _forget_the_dead(Path(os.environ["PROMETHEUS_MULTIPROC_DIR"]))
        together = CollectorRegistry()
        MultiProcessCollector(together)  # type: ignore[no-untyped-call]
        return generate_latest(together)


def _forget_the_dead(folder: Path) -> None:
    """What a worker had under way when it was killed is under way no more."""
    for pid in {int(path.stem.rpartition("_")[2]) for path in folder.glob("gauge_live*_*.db")}:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            mark_process_dead(pid)  # type: ignore[no-untyped-call]
        except PermissionError:
            continue  # it lives, as somebody else
