"""What alerts does, for Prometheus: counts since this process began, and what stands now."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Gauge, start_http_server

from alerts.service import Summary
from skidhand.logbook import Logbook

LOCAL = "127.0.0.1"


class Metrics:
    """Counters fed from each round of work; ``registry`` is served."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        made = {"registry": self.registry}
        self._findings = Counter("skidhand_alerts_findings", "revisions of findings worked in", **made)  # type: ignore[arg-type]
        self._stuck = Gauge("skidhand_alerts_stuck", "revisions that could not be worked in", **made)  # type: ignore[arg-type]
        self._raised = Counter("skidhand_alerts_prompts_raised", "prompts raised", **made)  # type: ignore[arg-type]
        self._nobody = Counter("skidhand_alerts_nobody", "messages for which there was nobody", **made)  # type: ignore[arg-type]
        self._answers = Counter("skidhand_alerts_answers", "answers judged", ["verdict"], **made)  # type: ignore[arg-type]
        self._messages = Counter("skidhand_alerts_messages", "messages by outcome", ["outcome"], **made)  # type: ignore[arg-type]
        self._open = Gauge("skidhand_alerts_prompts_open", "prompts by state", ["state"], **made)  # type: ignore[arg-type]

    def count(self, done: Summary, logbook: Logbook) -> None:
        """After one round."""
        self._findings.inc(done.findings)
        self._stuck.set(done.stuck)
        self._raised.inc(done.raised)
        self._nobody.inc(done.nobody)
        self._answers.labels("accepted").inc(done.accepted)
        self._answers.labels("refused").inc(done.refused)
        for outcome, count in done.outcome.items():
            self._messages.labels(outcome).inc(count)
        self._open.clear()
        for state, count in logbook.prompts.counts().items():
            self._open.labels(state).set(count)

    def serve(self, where: str) -> int:
        """Serve at ``PORT`` (this host only) or ``HOST:PORT``; gives the port. OSError when it is taken."""
        host, _, port = where.rpartition(":")
        server, _thread = start_http_server(int(port), host or LOCAL, registry=self.registry)
        return int(server.server_port)
