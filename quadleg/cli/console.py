"""How commands speak: a line to the standard output or error. `quadleg stop` waits for this import."""

from __future__ import annotations

import os
import sys


def say(text: str) -> None:
    """Print a line. A closed pipe or terminal stops no robot."""
    try:
        print(_harmless(text), flush=True)
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # for what waits and what comes


def warn(text: str) -> None:
    print(f"quadleg: {_harmless(text)}", file=sys.stderr)


def _harmless(text: str) -> str:
    """Without what a terminal obeys: names and texts come from recordings and from other nodes, too."""
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() or each in "\n\t" else "?" for each in text)
