"""Each watch at the very end of its deadline and at its very limit: nothing is late or too much before it is passed.

Times are shares of a second that a float holds exactly, so that an end is met and not only come near to.
"""

from __future__ import annotations

from math import inf, nan, nextafter, radians

import pytest
from sample_robots import ROBOTS

from quadleg.errors import TargetError
from quadleg.robot.model import JOINT_NAMES
from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import OUTPUT_IGNORES_TIMES, OUTPUT_SILENT_TIME, QUIET_TIME, TIP_TIME
from quadleg.safety.idle_watch import IdleWatch, idle_time
from quadleg.safety.notice_board import Notice, NoticeBoard
from quadleg.safety.output_watch import OutputWatch
from quadleg.safety.reason_codes import IdleCode, ReasonCode
from quadleg.safety.supply_watch import SupplyWatch
from quadleg.safety.target_watch import TargetWatch
from quadleg.safety.tilt_watch import TiltWatch

ROBOT = ROBOTS[0]
SUPPLY = ROBOT.supply
JUST = 2**-20  # s
REST = (0.0,) * 12


def just_over(value: float) -> float:
    return nextafter(value, inf)


def just_under(value: float) -> float:
    return nextafter(value, -inf)


def code(reason: Reason | None) -> str | None:
    return reason and reason.code


# Supply and tilt


@pytest.mark.parametrize(
    "watch", [SupplyWatch(ROBOT, 0.0), TiltWatch(1.0, 0.0)], ids=lambda watch: type(watch).__name__
)
def test_a_reading_counts_for_two_seconds(watch):
    assert not watch.is_old(2.0)
    assert watch.is_old(2.0 + JUST)


@pytest.mark.parametrize(
    ("voltage", "low", "lost"),
    [
        (SUPPLY.low_voltage, None, None),
        (just_under(SUPPLY.low_voltage), ReasonCode.SUPPLY_LOW, None),
        (SUPPLY.voltage / 3, ReasonCode.SUPPLY_LOW, None),
        (just_under(SUPPLY.voltage / 3), ReasonCode.SUPPLY_LOW, ReasonCode.SUPPLY_LOST),
        (nan, None, None),
    ],
)
def test_a_supply_is_low_below_its_limit_and_lost_below_a_third_of_its_voltage(voltage, low, lost):
    watch = SupplyWatch(ROBOT, 0.0)
    watch.take(voltage, nan, True, 0.0)
    assert (code(watch.low), code(watch.lost)) == (low, lost)


@pytest.mark.parametrize(
    ("share", "near", "over"), [(0.89, False, False), (0.91, True, False), (1.0, True, False), (1.01, True, True)]
)
def test_a_current_is_near_its_rating_from_nine_tenths_on_and_over_it_only_above(share, near, over):
    watch = SupplyWatch(ROBOT, 0.0)
    watch.take(nan, share * SUPPLY.rated_current, True, 0.0)
    assert (bool(watch.near), bool(watch.over)) == (near, over)


def test_a_supply_has_been_low_and_its_current_over_since_the_first_such_reading():
    watch = SupplyWatch(ROBOT, 0.0)
    assert (watch.low_for(9.0), watch.over_for(9.0)) == (-inf, -inf)
    for now in (1.0, 2.0):
        watch.take(0.5 * SUPPLY.voltage, 2 * SUPPLY.rated_current, True, now)
    assert (watch.low_for(4.0), watch.over_for(4.0)) == (3.0, 3.0)
    watch.take(SUPPLY.voltage, 0.0, True, 5.0)
    assert (watch.low_for(6.0), watch.over_for(6.0)) == (-inf, -inf)


def test_a_body_at_the_tip_angle_is_not_tipped_and_one_beyond_it_is_after_its_deadline():
    watch = TiltWatch(radians(45), 0.0)
    watch.take(radians(45), 0.0)
    assert watch.tipped is None
    watch.take(just_over(radians(45)), 0.0)
    assert code(watch.tipped) == ReasonCode.TIPPED
    assert watch.lasts(just_under(TIP_TIME)) is None
    assert code(watch.lasts(TIP_TIME)) == ReasonCode.TIPPED


# servo_output


@pytest.mark.parametrize("hears", [lambda watch: watch.says("following", 1.0), lambda watch: watch.heard(1.0)])
def test_servo_output_is_forgotten_after_its_deadline_without_a_word_and_not_at_it(hears):
    watch = OutputWatch(0.0)
    watch.says("following", 0.0)
    hears(watch)
    watch.forget_silent(1.0 + OUTPUT_SILENT_TIME)
    assert watch.trouble is None
    watch.forget_silent(1.0 + OUTPUT_SILENT_TIME + JUST)
    assert code(watch.trouble) == ReasonCode.OUTPUT_SILENT


@pytest.mark.parametrize(("doing", "patience"), OUTPUT_IGNORES_TIMES.items())
def test_servo_output_ignores_the_watchdog_only_past_its_deadline(doing, patience):
    watch = OutputWatch(0.0)
    watch.says(doing, 0.0)
    watch.says(doing, 0.5)  # said again: it has not begun anew
    assert watch.ignores(patience) is None
    assert code(watch.ignores(patience + JUST)) == ReasonCode.OUTPUT_IGNORES


def test_the_first_second_beside_another_watchdog_or_of_its_own_is_quiet():
    watch = OutputWatch(0.0)
    watch.says("following", 0.0)
    assert code(watch.refusal(QUIET_TIME - JUST)) == ReasonCode.JUST_STARTED
    assert watch.refusal(QUIET_TIME) is None
    watch.own_command(7)
    watch.powering_command(7, 4.0)
    assert watch.refusal(4.0) is None, "its own, heard late"
    watch.powering_command(8, 4.0)
    assert code(watch.refusal(4.0 + QUIET_TIME - JUST)) == ReasonCode.ANOTHER_WATCHDOG
    assert watch.refusal(4.0 + QUIET_TIME) is None


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("joint", range(12))
def test_a_lowering_has_ended_where_each_joint_was_seen_within_a_tenth_of_a_radian_of_rest_since(joint, sign):
    watch = OutputWatch(0.0)
    seen = [0.0] * 12
    seen[joint] = sign * 0.1
    watch.joints(seen, 2.0)
    assert watch.has_lowered(REST, 2.0 - JUST)
    assert not watch.has_lowered(REST, 2.0), "seen before the lowering began"
    seen[joint] = sign * just_over(0.1)
    assert not watch.has_lowered(REST, 2.0 - JUST)


def test_a_lowering_whose_joints_were_never_seen_has_not_ended():
    assert not OutputWatch(0.0).has_lowered(REST, 0.0)


def test_a_watchdog_knows_its_own_commands_of_the_last_second_at_the_highest_rate():
    watch = OutputWatch(0.0)
    watch.says("following", 0.0)
    for stamp in range(201):
        watch.own_command(stamp)
    watch.powering_command(1, 4.0)
    assert watch.refusal(4.0) is None
    watch.powering_command(0, 4.0)
    assert code(watch.refusal(4.0)) == ReasonCode.ANOTHER_WATCHDOG


# Targets


def test_good_frames_are_missing_after_three_periods_and_not_at_their_end():
    watch = TargetWatch(0.25)
    assert code(watch.missing(0.0)) == ReasonCode.NO_FRAME
    watch.good(1.0)
    assert watch.missing(1.75) is None
    assert code(watch.missing(1.75 + JUST)) == ReasonCode.NO_FRAME


def refuse(watch: TargetWatch, count: int) -> None:
    for _ in range(count):
        with pytest.raises(TargetError, match="0 points"):
            watch.take(1, JOINT_NAMES[:3], [], 0.0)


def test_the_third_bad_target_in_a_row_is_one_too_many():
    watch = TargetWatch(0.25)
    assert watch.detail == ""
    refuse(watch, 2)
    assert watch.bad is None
    refuse(watch, 1)
    assert code(watch.bad) == ReasonCode.BAD_TARGETS
    assert "0 points" in watch.bad.figures["detail"]


@pytest.mark.parametrize("forgets", [lambda watch: watch.good(0.0), TargetWatch.begin], ids=["good frame", "begin"])
def test_a_good_frame_and_a_new_beginning_forget_bad_targets(forgets):
    watch = TargetWatch(0.25)
    for _ in range(2):
        refuse(watch, 2)
        forgets(watch)
    refuse(watch, 2)
    assert watch.bad is None
    assert watch.refused == 6
    refuse(watch, 1)
    assert code(watch.bad) == ReasonCode.BAD_TARGETS


# A robot that stands for nothing


def test_on_a_board_it_lowers_itself_after_five_minutes_by_default():
    assert idle_time(-1.0, ROBOT.on_board("i2c")) == 5 * 60


@pytest.mark.parametrize(("degree", "left"), [(0.99, 40.0), (-0.99, 40.0), (1.01, 60.0), (-1.01, 60.0)])
def test_a_target_is_a_command_where_a_joint_moves_by_more_than_a_degree(degree, left):
    watch = IdleWatch(60.0)
    watch.begin(0.0)
    watch.targets((0.0,) * 11 + (0.7,), 0.0)
    watch.targets((0.0,) * 11 + (0.7 + radians(degree),), 20.0)
    assert watch.left(20.0) == left


def test_that_a_robot_will_lower_itself_is_said_in_the_last_half_minute():
    watch = IdleWatch(60.0)
    watch.begin(0.0)
    assert [watch.code(now) for now in (30.0, 30.0 + JUST)] == [IdleCode.NOT_IDLE, IdleCode.LOWERS_SOON]


@pytest.mark.parametrize(("seconds", "said"), [(30.0, IdleCode.NOT_IDLE), (30.0 + JUST, IdleCode.LOWERS_SOON)])
def test_a_robot_that_stands_half_a_minute_at_most_does_not_speak_of_lowering_itself_all_the_time(seconds, said):
    watch = IdleWatch(seconds)
    watch.begin(0.0)
    assert watch.code(29.0) is said


def test_only_a_robot_that_was_asked_to_stand_and_may_lower_itself_counts_down():
    never, sometime = IdleWatch(0.0), IdleWatch(60.0)
    assert (sometime.left(1e6), sometime.code(1e6)) == (inf, IdleCode.NOT_IDLE)
    for watch in (never, sometime):
        watch.begin(0.0)
    assert (never.left(1e6), never.code(1e6)) == (inf, IdleCode.NOT_IDLE)
    sometime.lower()
    sometime.end()
    assert (sometime.left(1e6), sometime.code(1e6)) == (inf, IdleCode.LOWERED)
    sometime.begin(0.0)
    assert (sometime.left(20.0), sometime.code(20.0)) == (40.0, IdleCode.NOT_IDLE)


# Notices


def test_a_notice_stays_for_a_second_after_it_was_last_so_and_its_figures_as_long():
    first, second = (Reason.of(ReasonCode.FRAME_INCOMPLETE, legs=leg) for leg in ("front_left", "rear_right"))
    board = NoticeBoard()
    board.note(Notice.INCOMPLETE, first, 0.0)
    board.note(Notice.INCOMPLETE, second, 1.0)
    assert board.others == (first,)
    board.note(Notice.INCOMPLETE, second, 1.0 + JUST)
    assert board.others == (second,)
    board.forget(2.0 + JUST)
    assert board.others == (second,)
    board.forget(2.0 + 2 * JUST)
    assert board.others == ()


def test_what_fails_is_told_apart_from_other_notices_which_come_the_oldest_first():
    board = NoticeBoard()
    reasons = {kind: Reason.of(ReasonCode.DEFECT, detail=kind.name) for kind in Notice}
    for now, kind in enumerate((Notice.LIMIT, Notice.FOLLOWING, Notice.SLOWED)):
        board.note(kind, reasons[kind], now / 4)
    assert board.failing == reasons[Notice.FOLLOWING]
    assert board.others == (reasons[Notice.LIMIT], reasons[Notice.SLOWED])
    board.clear()
    assert (board.failing, board.others) == (None, ())
