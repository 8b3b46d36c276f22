"""The nodes of one process from their start to their orderly end, whatever tells the process to end."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from quadleg.middleware.ipc import END, OFF
from quadleg.middleware.node import QuadlegNode


class ShutdownRequests:
    """What the outside wants of this process: `end`, of this process `alone` or of the whole graph, and `off` at once.

    The first signal is an end of this process alone; the parent's `END`, or the end of its line (the parent died), is
    an end of the whole graph. A second signal is `off`, as the parent's `OFF` is; a signal and the parent's `END` may
    be one wish that came by two ways, as from a service manager that ends a whole group.
    """

    def __init__(self) -> None:
        self._signalled = False
        self.end = False
        self.alone = True
        self.off = False

    def signal(self) -> None:
        """A SIGTERM or SIGINT has come."""
        self.off = self.off or self._signalled
        self._signalled = True
        self._ask_end(alone=True)

    def hear(self, word: bytes) -> None:
        """The parent says a word of ipc.py."""
        if word == END:
            self._ask_end(alone=False)
        elif word == OFF:
            self.end = self.off = True

    def line_ends(self) -> None:
        """The parent's line has ended."""
        self._ask_end(alone=False)

    def _ask_end(self, alone: bool) -> None:
        if not self.end:
            self.end, self.alone = True, alone


class HostedNodes:
    """The nodes of one process, which end as `requests` have it; `say_ready` is called once all have what they need."""

    def __init__(self, nodes: Sequence[QuadlegNode], requests: ShutdownRequests, say_ready: Callable[[], None]) -> None:
        self._nodes = nodes
        self._requests = requests
        self._say_ready = say_ready
        self._is_ready = self._told_end = self._told_off = False

    @property
    def finished(self) -> bool:
        """Whether all nodes have come to their end."""
        return all(node.finished for node in self._nodes)

    def look(self) -> None:
        """Say that all are ready, and tell them what is requested; to be called again and again."""
        if not self._is_ready and all(node.ready for node in self._nodes):
            self._is_ready = True
            self._say_ready()
        requests = self._requests
        if requests.off and not self._told_off:
            self._told_off = self._told_end = True
            for node in self._nodes:
                node.off_now()
        elif requests.end and not self._told_end:
            self._told_end = True
            for node in self._nodes:
                node.end(requests.alone)
