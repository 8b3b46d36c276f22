"""What waits of what pages asked for, and whose hand drives."""

from __future__ import annotations

import pytest

from quadleg.errors import Refused
from quadleg.viewer.command_queue import HELD, CommandQueue
from quadleg.viewer.page_commands import HALT, POSE, RESET, SIT, STAND, STOP, WALK, PageCommand


def test_of_each_kind_the_newest_waits_and_is_taken_once() -> None:
    mailbox = CommandQueue()
    for value in (0.1, 0.11, 0.12):
        mailbox.put(1, PageCommand(POSE, "height", value), 0.0)
    mailbox.put(2, PageCommand(POSE, "roll", 0.2), 0.0)
    mailbox.put(2, PageCommand(SIT), 0.0)
    assert mailbox.take() == [PageCommand(POSE, "height", 0.12), PageCommand(POSE, "roll", 0.2), PageCommand(SIT)]
    assert mailbox.take() == []


def test_a_hand_holds_the_pad_as_long_as_its_page_says_so() -> None:
    mailbox, go = CommandQueue(), PageCommand(WALK, shares=(1.0, 0.0, 0.0))
    mailbox.put(1, go, 0.0)
    assert mailbox.held(0.9 * HELD) == go.shares
    assert mailbox.held(HELD) is None
    mailbox.put(1, go, 1.0)
    mailbox.put(1, PageCommand(HALT), 1.01)
    assert mailbox.held(1.02) is None
    mailbox.put(1, go, 2.0)
    mailbox.gone(1)
    assert mailbox.held(2.01) is None
    assert mailbox.take() == []


def test_one_hand_drives_at_a_time() -> None:
    mailbox, go, back = (
        CommandQueue(),
        PageCommand(WALK, shares=(1.0, 0.0, 0.0)),
        PageCommand(WALK, shares=(-1.0, 0.0, 0.0)),
    )
    mailbox.put(1, go, 0.0)
    with pytest.raises(Refused, match="another browser's hand"):
        mailbox.put(2, back, 0.1)
    mailbox.put(2, PageCommand(HALT), 0.1)
    mailbox.gone(2)
    assert mailbox.held(0.2) == go.shares
    mailbox.put(2, back, HELD + 0.1)
    assert mailbox.held(HELD + 0.2) == back.shares


def test_nothing_asked_for_before_a_stop_comes_after_it() -> None:
    mailbox = CommandQueue()
    mailbox.put(1, PageCommand(STAND), 0.0)
    mailbox.put(1, PageCommand(WALK, shares=(1.0, 0.0, 0.0)), 0.0)
    mailbox.put(1, PageCommand(STOP), 0.0)
    assert mailbox.held(0.01) is None
    mailbox.put(1, PageCommand(RESET), 0.0)
    assert [asked.kind for asked in mailbox.take()] == [STOP, RESET]
    mailbox.put(1, PageCommand(STAND), 0.0)
    mailbox.drop()
    assert mailbox.take() == []
