"""The robot in three dimensions: viser's scene, which nobody reaches but through the page's server."""

from __future__ import annotations

import asyncio
import os
import sys
import threading

import psutil
import pytest

pytest.importorskip("viser", reason="viser does not import: install the extra `view`")

from quadleg.robot_file.load import find_robot, load_robot
from quadleg.viewer.scene import Scene

WITHIN = 10.0  # s


def listening() -> set[tuple]:
    """What this process listens on."""
    process = psutil.Process(os.getpid())
    return {tuple(c.laddr) for c in process.net_connections("inet") if c.status == psutil.CONN_LISTEN}


def test_it_has_no_port_and_prints_nothing_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    before, done, printed = listening(), threading.Event(), []

    def print_on() -> None:
        while not done.is_set():
            printed.append(f"line {len(printed)}")
            sys.stdout.write(f"{printed[-1]}\n")

    others = threading.Thread(target=print_on)
    others.start()
    try:
        scene = Scene(load_robot(find_robot("greenhouse_inspector")))
        has = listening()
        scene.close()
    finally:
        done.set()
        others.join()
    assert has == before
    assert capsys.readouterr().out.splitlines() == printed


def test_it_gives_what_is_drawn_until_it_ends() -> None:
    scene = Scene(load_robot(find_robot("greenhouse_inspector")))

    async def look() -> list[bytes]:
        got: list[bytes] = []
        came = asyncio.Event()

        async def take(data: bytes) -> None:
            got.append(data)
            came.set()

        shown = asyncio.create_task(scene.show_to(take))
        await asyncio.wait_for(came.wait(), WITHIN)
        scene.close()
        await asyncio.wait([shown], timeout=WITHIN)
        assert shown.done()
        return got

    assert asyncio.run(look())
    assert b"<html" in scene.page[:1000]
