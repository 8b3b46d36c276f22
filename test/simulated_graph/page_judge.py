"""Judges what a viewer and a teleop make of what people press there, and what they tell them."""

from __future__ import annotations

import json
from math import inf
from typing import Any

from quadleg.health import DIAGNOSTICS_LATE
from quadleg.middleware.simulated_bus import BusPublisher
from quadleg.runtime.node_table import VIEWER
from quadleg.teleop.stack_operator import PERIOD
from quadleg.teleop.stack_requests import ANSWER_WITHIN
from quadleg.viewer.command_queue import HELD
from quadleg.viewer.page_commands import GAIT, HALT, RESET, SIT, STAND, STOP, WALK
from simulated_graph.browser_pages import BrowserPage, Browsers
from simulated_graph.stack import SimulatedStack
from simulated_graph.unsafe_actions import REPORT_WITHIN, Judge, Lasting

# A reset waits for the answer to a stop, and then for its own.
ANSWERED_WITHIN = 2 * ANSWER_WITHIN + 2.0  # s from a press to words about it
HALTS_WITHIN = 3 * PERIOD  # s from a hand that is off the pad to no velocity, by a process that is slow
SAID_SILENT_WITHIN = DIAGNOSTICS_LATE + 1.5  # s from a watchdog's last word to news of it


class PageJudge:
    """A `PageWitness` of all pages of a run, whose violations `judge` notes."""

    def __init__(self, stack: SimulatedStack, judge: Judge, browsers: Browsers) -> None:
        self._stack = stack
        self._judge = judge
        self._lasting = Lasting(judge, stack)
        self._pages = browsers.pages
        self._prefix = len(stack.namespace) + 1
        self._hand: int | None = None  # the line of the page whose hand is on the pad
        self._hand_until = -inf
        self._asked: dict[tuple[int, str], float] = {}  # by line and kind: when it was pressed, while no words came
        self._status: Any = None  # the last of joint_watchdog
        self._strange = False  # whether a stranger has said what only the watchdog should
        if self._pages:
            stack.bus.observers.append(self._published)
        browsers.witness = self

    def _published(self, publisher: BusPublisher, message: Any) -> None:
        topic = publisher.topic[self._prefix :]
        if publisher.node_name == "stranger":
            self._strange = self._strange or topic in ("joint_watchdog/status", "joint_commands", "joint_states")
        elif topic == "joint_watchdog/status":
            self._status = message
        elif topic == "teleop/cmd_vel" and publisher.node_name == VIEWER:
            twist = message.twist
            late = self._stack.now - self._hand_until
            if (twist.linear.x or twist.linear.y or twist.angular.z) and late > HALTS_WITHIN:
                self._judge.violate("walks_without_hand", f"a velocity {late:.2f} s after the hand was off the pad")

    # What pages do and hear

    def page_asked(self, line: int, text: str, refusal: str) -> None:
        try:
            kind = json.loads(text)["kind"]
        except (ValueError, TypeError, KeyError):
            kind = ""
        now = self._stack.now
        if kind == STOP:
            self._hand, self._hand_until = None, min(now, self._hand_until)
            if self._judge.sound(self._stack.process_of(VIEWER)):
                self._judge.stop_asked()
        elif kind == HALT:
            self.page_gone(line)
        elif kind == WALK and not refusal:
            self._hand, self._hand_until = line, now + HELD
        elif kind in (STAND, SIT, RESET, GAIT) and not refusal:
            self._asked[line, kind] = now

    def page_gone(self, line: int) -> None:
        if self._hand == line:
            self._hand, self._hand_until = None, min(self._stack.now, self._hand_until)

    def page_told(self, page: BrowserPage, said: dict[str, Any]) -> None:
        if "refused" in said and not said["refused"].strip():
            self._judge.violate("refusal_without_reason", "a page's wish was refused without a reason")
        if answer := said.get("answer"):
            words, age = answer
            if not words.strip() or words.rstrip().endswith(":"):
                self._judge.violate("refusal_without_reason", f"a page was answered '{words}'")
            at = self._stack.now - age
            self._asked = {key: asked for key, asked in self._asked.items() if asked > at}

    # Now and then

    def look(self) -> None:
        """Judge what lasts; to be called every 50 ms."""
        if not self._pages:
            return
        viewer, watchdog = self._stack.process_of(VIEWER), self._stack.process_of("joint_watchdog")
        if not self._judge.sound(viewer):
            self._asked.clear()
            return
        pages = [page for page in self._pages if page.hears]
        late = self._judge.late
        for (_, kind), asked in self._asked.items():
            if self._stack.now - asked > ANSWERED_WITHIN + late:
                self._judge.violate("press_without_answer", f"no word about {kind} within {ANSWERED_WITHIN:g} s")
        if self._strange or not pages:
            return
        silent = not watchdog.alive and any("joint_watchdog" not in page.news["silent"] for page in pages)
        self._lasting("news_are_wrong", silent, SAID_SILENT_WITHIN + late, "nothing of a silent watchdog")
        if self._status is None or not self._judge.sound(watchdog):
            return
        state = next((pair.value for pair in self._status.values if pair.key == "state"), "")
        shown = {page.news["state"][0] for page in pages}
        wrong = shown != {state}
        self._lasting("state_shown_is_wrong", wrong, REPORT_WITHIN + late, f"{shown} is shown, it is {state}")
