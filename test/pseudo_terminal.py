"""`quadleg drive` in a pseudo-terminal."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import termios
import threading
import time

UP = b"\x1b[A"


class PseudoTerminal:
    """`quadleg drive` in a pseudo-terminal, whose screen is what it has written."""

    def __init__(self, *arguments: str, code: str = "pass") -> None:
        self.master, child = pty.openpty()
        self.before = termios.tcgetattr(self.master)
        self.process = subprocess.Popen(
            # The terminal is to be the controlling one, so that closing it hangs the process up.
            [
                "setsid",
                "--ctty",
                sys.executable,
                "-c",
                f"from quadleg.cli import drive, main; {code}; exit(main.main())",
            ]
            + ["drive", *arguments],
            stdin=child,
            stdout=child,
            stderr=child,
            env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "120", "LINES": "40"},
        )
        os.close(child)
        self.screen = ""
        self._fresh = True  # nothing that it says is old
        self._news = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                data = os.read(self.master, 65536)
            except OSError:
                return
            if not data:
                return
            with self._news:
                self.screen += data.decode(errors="replace")
                self._news.notify_all()

    def keys(self, data: bytes) -> None:
        with self._news:
            self._forget()
            self._fresh = True
        os.write(self.master, data)

    def shows(self, *words: str, seconds: float = 10.0) -> None:
        """Waits until words are written from now on, or since the keys just before it, in any order."""
        with self._news:
            if not self._fresh:
                self._forget()
            self._fresh = False
            found = self._news.wait_for(lambda: all(word in self.screen for word in words), seconds)
        assert found, f"{words} not in {self.screen[-3000:]}"

    def lacks(self, words: str, seconds: float = 10.0) -> None:
        """Waits until a whole screen is drawn that does not have some words."""
        deadline = time.monotonic() + seconds
        while True:
            with self._news:
                self._forget()
                drawn = self._news.wait_for(
                    lambda: self.screen.count("quadleg drive:") > 1, deadline - time.monotonic()
                )
                whole = self.screen.split("quadleg drive:")[-2]
            assert drawn, f"'{words}' is still in {self.screen[-3000:]}"
            if words not in whole:
                return

    def _forget(self) -> None:
        self.screen = self.screen[-1:] if self.process.poll() is None else self.screen

    def hang_up(self) -> None:
        """Closes the terminal."""
        os.close(self.master)
        self.master = -1

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        if self.master >= 0:
            os.close(self.master)
