"""Pages in browsers before a viewer that runs in simulated time.

`PageServer` and `Scene` are servers with threads. Plain stand-ins take their places, which pass the same JSON texts
between the node viewer and `BrowserPage`, each after a while.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import inf
from types import SimpleNamespace
from typing import Any, Protocol

from quadleg.runtime.node_table import VIEWER
from quadleg.teleop.stack_requests import STOP_PERIOD
from quadleg.viewer.page_commands import HALT, STOP, WALK
from quadleg.viewer.stop_settings import GIVEN_UP_AFTER
from simulated_graph.stack import SimulatedStack

LINE_DELAY = (5e-4, 0.02)  # s that a text takes between page and viewer
CONNECT_PERIOD = 1.0  # s between looks at the line, as in page.js
HELD_PERIOD = 0.1  # s between the words of a page whose pad is held, as in page.js
LOST_AFTER = 0.7  # s without news, after which a page calls what it shows old, as in page.js


class StandInScene:
    """Draws nothing."""

    def __init__(self, _: Any) -> None:
        pass

    def show(self, *_: Any) -> None:
        """Would draw the robot."""

    def draw_trail(self, _: Any) -> None:
        """Would draw its path."""

    def close(self) -> None:
        """Nothing to close."""


class StandInServer:
    """In place of PageServer: `pages` are the browsers that it talks to, by the numbers of their lines."""

    address = "http://simulated"
    scenes = 0

    def __init__(
        self,
        port: int,
        scene: StandInScene,
        greeting: dict[str, Any],
        hear: Callable[[int, str | bytes], str],
        gone: Callable[[int], None],
        defect: Callable[[Exception], None],
    ) -> None:
        self.hear, self.gone = hear, gone
        self.greeting = json.dumps({"greeting": greeting}, allow_nan=False)
        self.pages: dict[int, BrowserPage] = {}
        self.count = 0
        self.closed = False

    @property
    def watched(self) -> int:
        """How many pages look on."""
        return len(self.pages)

    def say(self, news: dict[str, Any]) -> None:
        """Tell all pages. Raises ValueError for what a browser cannot read."""
        text = json.dumps(news, allow_nan=False)
        for page in list(self.pages.values()):
            page.take_later(text)

    def close(self) -> None:
        """End all lines."""
        self.closed = True


class PageWitness(Protocol):
    """Who looks over the shoulder of every page."""

    def page_asked(self, line: int, said: Any, refusal: str) -> None:
        """The viewer has heard a page's message, and why it refuses it."""

    def page_gone(self, line: int) -> None:
        """The viewer has heard that a page's line has ended."""

    def page_told(self, page: BrowserPage, said: dict[str, Any]) -> None:
        """A page has heard something."""


class Browsers:
    """The pages of one run, and the server of the viewer that was made last."""

    def __init__(self, stack: SimulatedStack, count: int) -> None:
        self.stack = stack
        self.server: StandInServer | None = None
        self.witness: PageWitness | None = None
        self.pages = [BrowserPage(self, number) for number in range(count)]

    @contextmanager
    def in_place(self) -> Iterator[None]:
        """Give each viewer a stand-in for its server, until the end of the context."""

        def serve(*arguments: Any) -> StandInServer:
            self.server = StandInServer(*arguments)
            return self.server

        stand_ins: dict[str, Any] = {
            "quadleg.viewer.page_server": SimpleNamespace(PageServer=serve),
            "quadleg.viewer.scene": SimpleNamespace(Scene=StandInScene),
        }
        kept = {name: sys.modules.get(name) for name in stand_ins}
        sys.modules.update(stand_ins)
        try:
            yield
        finally:
            for name, module in kept.items():
                if module is None:
                    del sys.modules[name]
                else:
                    sys.modules[name] = module

    def is_up(self, server: StandInServer | None) -> bool:
        """Whether a server is there still; it may be frozen."""
        if server is None or server is not self.server or server.closed:
            return False
        return self.stack.process_of(VIEWER).exit_code() is None


class BrowserPage:
    """One browser's page, which opens its line again when that has ended.

    `news` are what it heard last, at `heard_at` (s). Its methods are what a person does.
    """

    def __init__(self, browsers: Browsers, number: int) -> None:
        self._browsers = browsers
        self._stack = browsers.stack
        self._chance = self._stack.bus.random_for(f"page {number}")
        self._server: StandInServer | None = None
        self._line = 0
        self._sent_at = self._told_at = -inf  # when the last text arrives
        self._held: dict[str, Any] | None = None
        self._held_until = self._away_until = -inf
        self._stop_asked = -inf
        self.news: dict[str, Any] = {}
        self.heard_at = -inf
        self._look()

    @property
    def is_open(self) -> bool:
        """Whether its line is."""
        return self._server is not None and self._browsers.is_up(self._server) and self._line in self._server.pages

    @property
    def hears(self) -> bool:
        """Whether what it shows is new."""
        return self.is_open and self._stack.now - self.heard_at < LOST_AFTER

    # What a person does

    def ask(self, kind: str, **fields: Any) -> None:
        """Press something, whether the page would offer it now or not."""
        self.send(json.dumps({"kind": kind, **fields}))

    def hold_pad(self, shares: dict[str, float], seconds: float) -> None:
        """Hold the pad, then let go."""
        self._held, self._held_until = {"kind": WALK, **shares}, self._stack.now + seconds
        self._go_on(self._held)

    def _go_on(self, held: dict[str, Any]) -> None:
        if self._held is not held:
            return
        if self._stack.now >= self._held_until:
            self._let_go()
            return
        self.send(json.dumps(held))
        self._stack.time.after(HELD_PERIOD, lambda: self._go_on(held))

    def _let_go(self) -> None:
        self._held = None
        self.ask(HALT)

    def stop(self) -> None:
        """Press STOP: the page insists until it hears of an answer, as stop.js does."""
        self._let_go()
        self._stop_asked = self._stack.now
        self._insist(self._stop_asked)

    def _insist(self, asked: float) -> None:
        since = self._stack.now - asked
        if self._stop_asked != asked or since > GIVEN_UP_AFTER:
            return
        self.ask(STOP)
        if not self._stop_is_answered(since):
            self._stack.time.after(STOP_PERIOD, lambda: self._insist(asked))

    def _stop_is_answered(self, since: float) -> bool:
        if not self.news:
            return False
        answered = self.news["stop_answered"]
        said = answered is not None and answered + self._stack.now - self.heard_at < since
        return said or (self.hears and self.news["state"][0] == "fault")

    def after(self, seconds: float, action: Callable[[], None]) -> None:
        """Have a person do something later."""
        self._stack.time.after(seconds, action)

    def freeze(self) -> None:
        """Say nothing more of the pad, with the line open: a browser that hangs."""
        self._held = None

    def vanish(self, seconds: float) -> None:
        """Be closed, whatever is held, and opened again after so many seconds."""
        self._held = None
        self._stop_asked = -inf
        self._away_until = self._stack.now + seconds
        server, line = self._server, self._line
        self._server = None
        self._arrive_later(lambda: self._leave(server, line))

    # The line

    def _look(self) -> None:
        self._stack.time.after(CONNECT_PERIOD, self._look)
        server = self._browsers.server
        if server is None or not self._browsers.is_up(server) or self.is_open or self._stack.now < self._away_until:
            return
        server.count += 1
        self._server, self._line = server, server.count
        server.pages[self._line] = self
        self.take_later(server.greeting)

    def send(self, text: str) -> None:
        """Send a text, which the viewer hears once it is awake."""
        if self._server and self.is_open:
            server, line = self._server, self._line
            self._arrive_later(lambda: self._arrive(server, line, text))

    def _arrive_later(self, arrive: Callable[[], None]) -> None:
        at = self._stack.now + self._chance.uniform(*LINE_DELAY)
        self._sent_at = max(at, self._sent_at, self._stack.process_of(VIEWER).middleware.frozen_until)
        self._stack.time.at(self._sent_at, arrive)

    def _arrive(self, server: StandInServer, line: int, text: str) -> None:
        if self._browsers.is_up(server) and line in server.pages:
            refusal = server.hear(line, text)
            if self._browsers.witness:
                self._browsers.witness.page_asked(line, text, refusal)
            if refusal:
                self.take_later(json.dumps({"refused": refusal}))

    def _leave(self, server: StandInServer | None, line: int) -> None:
        if server and self._browsers.is_up(server) and server.pages.pop(line, None):
            server.gone(line)
            if self._browsers.witness:
                self._browsers.witness.page_gone(line)

    def take_later(self, text: str) -> None:
        """Hear a text of the viewer after a while."""
        self._told_at = max(self._stack.now + self._chance.uniform(*LINE_DELAY), self._told_at)
        server, line = self._server, self._line
        self._stack.time.at(self._told_at, lambda: self._take(server, line, text))

    def _take(self, server: StandInServer | None, line: int, text: str) -> None:
        if server is not self._server or line != self._line:
            return
        said = json.loads(text)
        if "state" in said:
            self.news, self.heard_at = said, self._stack.now
        if self._browsers.witness:
            self._browsers.witness.page_told(self, said)
