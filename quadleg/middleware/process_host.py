"""Runs nodes in this process, on the events executor, until they have come to an orderly end."""

from __future__ import annotations

import gc
import signal
import socket
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress

from quadleg.errors import QuadlegError
from quadleg.middleware.hosted_nodes import HostedNodes, ShutdownRequests
from quadleg.middleware.interface import Middleware
from quadleg.middleware.ipc import READY
from quadleg.middleware.node import QuadlegNode

WAKE_PERIOD = 0.05  # s between looks at signals and at the parent's words


Maker = Callable[[Middleware], QuadlegNode]


def shutdown_requests(parent: socket.socket | None) -> ShutdownRequests:
    """What this process's signals and its parent ask for."""
    requests = ShutdownRequests()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: requests.signal())

    def listen(line: socket.socket) -> None:
        with suppress(ConnectionResetError):  # a parent that died before it read our word
            while word := line.recv(1):
                requests.hear(word)
        requests.line_ends()

    if parent:
        threading.Thread(target=listen, args=(parent,), daemon=True).start()
    return requests


def host(makers: Sequence[Maker], args: list[str] | None = None, parent: socket.socket | None = None) -> int:
    """Makes the nodes on rclpy and spins them until all are `finished`; the exit code.

    `parent` hears `READY` once all nodes have what they need.
    """
    from quadleg.middleware.rclpy_middleware import RclpyMiddleware

    middleware = RclpyMiddleware(args)
    requests = shutdown_requests(parent)
    nodes: list[QuadlegNode] = []

    def say_ready() -> None:
        if parent:
            with suppress(BrokenPipeError):  # a parent that has died; its line's end is heard elsewhere
                parent.send(READY)

    try:
        for make in makers:
            nodes.append(make(middleware))
        # What is there now stays: without it, the collector's long pauses are short.
        gc.collect()
        gc.freeze()
        hosted = HostedNodes(nodes, requests, say_ready)
        while not hosted.finished:
            middleware.spin_once(WAKE_PERIOD)
            hosted.look()
    except (QuadlegError, ValueError) as error:
        print(f"quadleg: {error}", file=sys.stderr)
        return 2
    finally:
        middleware.stop()
        for node in nodes:
            node.close()
        middleware.close()
    return 0


def main_of(kind: Maker) -> Callable[[], None]:
    """The entry point of an executable that runs one node alone."""

    def main() -> None:
        sys.exit(host([kind], sys.argv))

    return main
