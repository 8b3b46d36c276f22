"""Runs nodes in this process, on the events executor, until they have come to an orderly end."""

from __future__ import annotations

import gc
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from quadleg.errors import QuadlegError
from quadleg.middleware.interface import Middleware
from quadleg.middleware.ipc import END, OFF, READY
from quadleg.middleware.node import QuadlegNode

NICER = 10  # of processes beside the robot
WAKE_PERIOD = 0.05  # s between looks at signals and at the parent's words


Maker = Callable[[Middleware], QuadlegNode]


class ShutdownRequests:
    """What the outside wants of this process: signals, and the parent's words over its pipe.

    The first SIGTERM or SIGINT is an end of this process alone; the parent's `END`, or the end of the
    pipe (the parent died), is an end of the whole graph. The second of any kind is `off at once`.
    """

    def __init__(self, parent: socket.socket | None) -> None:
        self.end = False
        self.alone = True
        self.off = False
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self._ask_end(alone=True))
        if parent:
            threading.Thread(target=self._listen, args=(parent,), daemon=True).start()

    def _ask_end(self, alone: bool) -> None:
        if self.end:
            self.off = True
        else:
            self.end, self.alone = True, alone

    def _listen(self, parent: socket.socket) -> None:
        with suppress(ConnectionResetError):  # a parent that died before it read our word
            while word := parent.recv(1):
                if word == END:
                    self._ask_end(alone=False)
                elif word == OFF:
                    self.end = self.off = True
        if not self.end:
            self._ask_end(alone=False)


def host(makers: Sequence[Maker], args: list[str] | None = None, parent: socket.socket | None = None) -> int:
    """Makes the nodes on rclpy and spins them until all are `finished`; the exit code.

    `parent` hears `READY` once all nodes have what they need.
    """
    from quadleg.middleware.rclpy_middleware import RclpyMiddleware

    middleware = RclpyMiddleware(args)
    requests = ShutdownRequests(parent)
    nodes: list[QuadlegNode] = []
    try:
        for make in makers:
            nodes.append(make(middleware))
        # What is there now stays: without it, the collector's long pauses are short.
        gc.collect()
        gc.freeze()
        _spin(middleware, nodes, requests, parent)
    except (QuadlegError, ValueError) as error:
        print(f"quadleg: {error}", file=sys.stderr)
        return 2
    finally:
        middleware.stop()
        for node in nodes:
            node.close()
        middleware.close()
    return 0


def _spin(
    middleware: Middleware, nodes: Sequence[QuadlegNode], requests: ShutdownRequests, parent: socket.socket | None
) -> None:
    told_end = told_off = said_ready = False
    while not all(node.finished for node in nodes):
        middleware.spin_once(WAKE_PERIOD)
        if parent and not said_ready and all(node.ready for node in nodes):
            said_ready = True
            with suppress(BrokenPipeError):  # a parent that has died; its line's end is heard elsewhere
                parent.send(READY)
        if requests.off and not told_off:
            told_off = told_end = True
            for node in nodes:
                node.off_now()
        elif requests.end and not told_end:
            told_end = True
            for node in nodes:
                node.end(requests.alone)


def step_back() -> None:
    """Leaves the processor to the robot's own processes where it is short: for what only looks on.

    Linux shares it between the autogroups of sessions first, and only within one by niceness: sched(7).
    """
    os.nice(NICER)
    with suppress(OSError):  # a system without autogroups
        Path("/proc/self/autogroup").write_text(f"{NICER}", encoding="ascii")


def main_of(kind: Maker) -> Callable[[], None]:
    """The entry point of an executable that runs one node alone."""

    def main() -> None:
        sys.exit(host([kind], sys.argv))

    return main
