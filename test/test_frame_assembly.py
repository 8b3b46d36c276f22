"""Joint targets: what is refused, and how four legs with one stamp become one frame."""

from __future__ import annotations

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.errors import TargetError
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.safety.frame_assembly import REMEMBERED, FrameAssembly, leg_of_targets

PERIOD = 0.02
NAMES = {leg: JOINT_NAMES[3 * i : 3 * i + 3] for i, leg in enumerate(LEGS)}
ANGLES = {leg: (0.1 * i, 0.1 * i + 0.01, 0.1 * i + 0.02) for i, leg in enumerate(LEGS)}
FRAME = tuple(angle for leg in LEGS for angle in ANGLES[leg])


def send(assembly: FrameAssembly, stamp: int, now: float, *legs: str) -> list[tuple[float, ...]]:
    """The frames that come out when these legs come in."""
    frames = (assembly.add(stamp, leg, ANGLES[leg], now) for leg in legs)
    return [frame for frame in frames if frame is not None]


@given(st.sampled_from(LEGS), st.permutations(range(3)))
def test_a_legs_joints_may_come_in_any_order(leg, order):
    names = [NAMES[leg][i] for i in order]
    positions = [ANGLES[leg][i] for i in order]
    assert leg_of_targets(names, [positions]) == (leg, ANGLES[leg])


@pytest.mark.parametrize(
    ("names", "points", "words"),
    [
        (NAMES["front_left"], [], "0 points"),
        (NAMES["front_left"], [[0, 0, 0], [0, 0, 0]], "2 points"),
        (NAMES["front_left"][:2], [[0, 0]], "2 names"),
        (NAMES["front_left"], [[0, 0]], "2 positions"),
        (NAMES["front_left"], [[0, 0, 0, 0]], "4 positions"),
        (JOINT_NAMES, [[0] * 12], "12 names"),
        ((), [[]], "0 names"),
        (
            ("front_left_abduction", "front_left_hip", "tail"),
            [[0, 0, 0]],
            "unknown joint 'tail'; .* as in front_left_abduction",
        ),
        (("front_left_abduction", "front_left_hip", "rear_left_knee"), [[0, 0, 0]], "not the .* of one leg"),
        (("front_left_abduction", "front_left_hip", "front_left_hip"), [[0, 0, 0]], "not the .* of one leg"),
        (NAMES["rear_left"], [[0, nan, 0]], "rear_left_hip is nan"),
        (NAMES["rear_left"], [[0, 0, -inf]], "rear_left_knee is -inf"),
    ],
)
def test_what_is_no_target_of_one_leg_is_refused_in_words(names, points, words):
    with pytest.raises(TargetError, match=words):
        leg_of_targets(names, points)


@given(st.permutations(LEGS))
def test_the_fourth_leg_completes_the_frame_in_any_order(order):
    assembly = FrameAssembly(PERIOD)
    assert send(assembly, 7, 0.0, *order[:3]) == []
    assert send(assembly, 7, PERIOD / 2, order[3]) == [FRAME]
    assert assembly.expire(10.0) == []
    assert (assembly.dropped, assembly.late) == (0, 0)


def test_a_frame_waits_one_period_for_its_last_leg():
    assembly = FrameAssembly(PERIOD)
    send(assembly, 1, 0.0, *LEGS[:3])
    assert assembly.expire(PERIOD) == []
    assert send(assembly, 1, PERIOD, LEGS[3]) == [FRAME]


def test_a_frame_is_dropped_after_one_period_and_says_who_was_missing():
    assembly = FrameAssembly(PERIOD)
    send(assembly, 1, 0.0, "front_left", "rear_right")
    send(assembly, 2, 0.5 * PERIOD, "front_left", "front_right", "rear_right")
    assert assembly.expire(1.4 * PERIOD) == ["front_right", "rear_left"]
    assert assembly.dropped == 1
    assert assembly.expire(1.6 * PERIOD) == ["rear_left"]
    assert assembly.dropped == 2


@pytest.mark.parametrize("expired", [False, True])
def test_a_late_leg_is_counted_completes_nothing_and_begins_nothing(expired):
    assembly = FrameAssembly(PERIOD)
    send(assembly, 1, 0.0, *LEGS[:3])
    late = 1.01 * PERIOD
    if expired:
        assembly.expire(late)
    assert send(assembly, 1, late, LEGS[3]) == []
    assembly.expire(late)
    assert assembly.expire(3 * PERIOD) == []
    assert (assembly.dropped, assembly.late) == (1, 1)


def test_a_leg_said_twice_counts_with_its_last_word_and_does_not_stand_for_another():
    assembly = FrameAssembly(PERIOD)
    assembly.add(1, "front_left", (9.0, 9.0, 9.0), 0.0)
    assert send(assembly, 1, 0.0, "front_left", "front_right", "rear_left") == []
    assert send(assembly, 1, 0.0, "rear_right") == [FRAME]


def test_a_leg_said_again_after_its_frame_was_sent_begins_nothing():
    assembly = FrameAssembly(PERIOD)
    assert send(assembly, 1, 0.0, *LEGS) == [FRAME]
    assert send(assembly, 1, 0.001, *LEGS) == []
    assert assembly.expire(2 * PERIOD) == []
    assert (assembly.dropped, assembly.late) == (0, 4)


def test_stamps_that_go_back_are_frames_like_any_other():
    assembly = FrameAssembly(PERIOD)
    for k, stamp in enumerate((1_000_000, 1_000_020, 5, 25, 45, -3)):
        assert send(assembly, stamp, k * PERIOD, *LEGS) == [FRAME]
    assert (assembly.dropped, assembly.late) == (0, 0)


def test_a_frame_is_remembered_for_half_a_second_after_it_was_sent():
    assembly = FrameAssembly(PERIOD)
    send(assembly, 1, 0.0, *LEGS)
    assembly.expire(0.5)
    assert send(assembly, 1, 0.5, *LEGS) == []
    assembly.expire(0.5 + 2**-20)
    assert send(assembly, 1, 0.5 + 2**-20, *LEGS) == [FRAME]


def test_a_sequence_begun_anew_may_use_its_old_stamps():
    assembly = FrameAssembly(PERIOD)
    send(assembly, 1, 0.0, *LEGS)
    send(assembly, 2, 0.0, *LEGS[:3])
    assembly.expire(2 * PERIOD)
    later = 3 * PERIOD + REMEMBERED
    assembly.expire(later)
    assert send(assembly, 1, later, *LEGS) == [FRAME]
    assert send(assembly, 2, later, *LEGS) == [FRAME]


@given(st.randoms(use_true_random=False))
def test_four_publishers_may_interleave_a_frame_apart(random):
    """Each leg's own messages keep their order; the legs run ahead of each other as they like."""
    frames = 6
    queues = {leg: list(range(frames)) for leg in LEGS}
    assembly = FrameAssembly(PERIOD)
    done = []
    while any(queues.values()):
        leg = random.choice([leg for leg in LEGS if queues[leg]])
        stamp = queues[leg].pop(0)
        angles = tuple(stamp + angle for angle in ANGLES[leg])
        frame = assembly.add(stamp, leg, angles, 0.0)
        if frame is not None:
            done.append(frame)
    assert done == [tuple(stamp + angle for angle in FRAME) for stamp in range(frames)]
    assert (assembly.dropped, assembly.late) == (0, 0)
