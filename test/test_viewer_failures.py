"""What the page shows of a failure and of a stop, in a real browser, by news of the test's own: no stack, no ROS."""

from __future__ import annotations

import asyncio
import json
import shutil
import threading
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import asdict
from typing import Any

import pytest

pytest.importorskip("websockets", reason="websockets does not import: install the extra `view`")
pytest.importorskip("playwright", reason="playwright does not import: install the extra `test`")

import sample_robots
from playwright.sync_api import Page, expect, sync_playwright

from quadleg.plotting.resting_pose import views
from quadleg.robot.colours import BODY, LEG
from quadleg.robot.model import LEGS
from quadleg.safety.failure_notices import failure_notices
from quadleg.viewer.page_server import PageServer

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

SOON = 10_000  # ms
AXES = ("x", "y", "height", "roll", "pitch", "yaw")
GREETING = {
    "robot": "made up",
    "legs": LEGS,
    "colours": {"body": BODY, **LEG},
    "ranges": dict.fromkeys(AXES, (-0.1, 0.2)),
    "standing": dict.fromkeys(AXES, 0.1),
    "weight": 15.0,
    "resting": [asdict(view) for view in views(sample_robots.inspector())],
}
NEWS: dict[str, Any] = {
    "failures": [],
    "state": ["active", "following the joint targets"],
    "next": "",
    "servos": ["following", ""],
    "silent": {},
    "supply": None,
    "latency": [None, None],
    "angles": "modelled",
    "heat": None,
    "trouble": "",
    "asked": None,
    "body_says": "",
    "gait": None,
    "fastest": None,
    "gait_says": "",
    "obstacle": "",
    "answer": None,
    "stop_answered": None,
    "plan": None,
}
LIMP = {
    "state": "active",
    "following": "joint_limp",
    "following_where": "front_left_knee",
    "following_figure": "14°",
    "servo_heat": "hot",
    "servo_hottest": "rear_left_knee",
    "servo_hottest_c": "84",
}


class NoScene:
    """In the place of viser, which nobody looks at here."""

    version = "viser-v0.made.up"
    page = b"<html></html>"

    async def show_to(self, _: Callable[[bytes], Awaitable[None]]) -> None:
        await asyncio.Event().wait()


class ServedPage:
    """A page's server that gives `news` to its pages all the time, and what they asked for."""

    def __init__(self) -> None:
        self.news = dict(NEWS)
        self.asked: list[str] = []
        self.server = PageServer(0, NoScene(), GREETING, self._hear, lambda _: None, self._defect)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._tell)
        self._thread.start()

    def _tell(self) -> None:
        while not self._over.wait(0.05):
            self.server.say(self.news)

    def _hear(self, _: int, text: str | bytes) -> str:
        self.asked.append(json.loads(text)["kind"])
        return ""

    def _defect(self, error: Exception) -> None:
        raise error

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self.server.close()


@pytest.fixture
def served() -> Iterator[ServedPage]:
    served = ServedPage()
    yield served
    served.close()


@pytest.fixture
def page(served: ServedPage) -> Iterator[Page]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        faults: list[str] = []
        page.on("pageerror", lambda fault: faults.append(str(fault)))
        page.goto(served.server.address)
        expect(page.locator("#state")).to_have_text("active", timeout=SOON)
        yield page
        browser.close()
        assert not faults


def test_a_failure_stands_above_the_state(served: ServedPage, page: Page) -> None:
    rows = page.locator("#failures p")
    expect(rows).to_have_count(0)
    served.news |= {"failures": [asdict(notice) for notice in failure_notices(LIMP)]}
    expect(rows).to_have_count(2, timeout=SOON)
    assert [row.get_attribute("data-code") for row in rows.all()] == ["joint_limp", "servo_hot"]
    for words in ("front left knee, 14°", "goes slower", "plug"):
        expect(rows.first).to_contain_text(words, ignore_case=True)
    failure, state = rows.first.bounding_box(), page.locator("#state").bounding_box()
    assert failure
    assert state
    assert failure["y"] + failure["height"] <= state["y"]
    served.news |= {"failures": []}
    expect(rows).to_have_count(0, timeout=SOON)


def test_a_failure_does_not_move_the_stop(served: ServedPage, page: Page) -> None:
    before = page.locator("#stop").bounding_box()
    served.news |= {"failures": [asdict(notice) for notice in failure_notices(LIMP)]}
    expect(page.locator("#failures p")).to_have_count(2, timeout=SOON)
    after = page.locator("#stop").bounding_box()
    assert before
    assert after
    assert (after["x"], after["y"], after["width"]) == (before["x"], before["y"], before["width"])
    assert after["height"] >= before["height"]


def test_a_stop_is_answered_by_a_code_whatever_the_words(served: ServedPage, page: Page) -> None:
    says = page.locator("#stop_says")
    served.news |= {"answer": ["emergency stop: words alone are no answer", 0.0], "stop_answered": 30.0}
    page.click("#stop")
    expect(says).to_contain_text("NOT ANSWERED", timeout=SOON)
    assert set(served.asked) <= {"stop", "halt"}
    assert served.asked.count("stop") > 3
    served.news |= {"answer": ["other words", 0.0], "stop_answered": 0.1}
    expect(says).to_be_hidden(timeout=SOON)
