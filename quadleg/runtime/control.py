"""The executable `control`: all nodes but servo_output in one process, as node_table.py has it."""

from __future__ import annotations

import sys

from quadleg.runtime.node_table import CONTROL, processes


def main() -> None:
    """Runs the nodes until they have come to an orderly end."""
    from quadleg.middleware.process_host import host

    makers = [
        lambda middleware, entry=entry: entry.make(middleware, {}) for entry in processes(separate=False)[CONTROL]
    ]
    sys.exit(host(makers, sys.argv))
