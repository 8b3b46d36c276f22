"""Events in words: each reason that the watchdog and servo_output can give is explained, by the watchdog itself."""

from __future__ import annotations

from math import radians

import pytest
import sample_robots
from watchdog_rig import WatchdogRig, heating

from quadleg.analysis.events import complaints, events, explain, state_intervals
from quadleg.estimation.estimate_codes import EstimateCode, FootCode
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.health import CodedFact, Health
from quadleg.kinematics.body_pose import stance_angles
from quadleg.recording.text_messages import Diagnosis
from quadleg.safety.catalogue import CATALOGUE, Reason
from quadleg.safety.explanation import Weight
from quadleg.safety.heat_watch import HeatWatch
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.output_supervisor import OutputSupervisor
from quadleg.safety.reason_codes import FollowingCode, HeatLevel, IdleCode, ReasonCode
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog_report import status

UNKNOWN = explain("dancing", None).what


def over_the_wire(said: NodeStatus) -> NodeStatus:
    """What is left of a status in the pairs of its message."""
    return NodeStatus.of_values(said.values())


class RecordingRig(WatchdogRig):
    """A watchdog on a bench, and what it says of its state at each tick."""

    def __init__(self) -> None:
        self.told: list[tuple[float, NodeStatus]] = []
        super().__init__(sample_robots.inspector())

    def tick(self, count: int = 1):
        for _ in range(count):
            command = super().tick()
            self.told.append((self.now, over_the_wire(status(self.watchdog, self.now))))
        return command

    @property
    def events(self):
        return events(state_intervals(self.told, self.now), [])


@pytest.fixture
def up() -> RecordingRig:
    bench = RecordingRig()
    bench.says("following")
    bench.seconds(2.0)
    bench.enable()
    bench.until(State.ACTIVE)
    return bench


def standing(bench: RecordingRig) -> list[float]:
    return list(bench.standing)


def beyond(bench: RecordingRig) -> list[float]:
    angles = standing(bench)
    angles[1] = bench.robot.joints[1].upper + 0.2
    return angles


def missing(bench: RecordingRig) -> None:
    bench.seconds(0.5)


def limit(bench: RecordingRig) -> None:
    bench.run(4.0, beyond(bench))


def silent(bench: RecordingRig) -> None:
    bench.alive = False
    bench.run(1.0, standing(bench))


def current(bench: RecordingRig) -> None:
    bench.measured(1.5, current=1.2 * bench.robot.supply.rated_current, angles=standing(bench))


def over_long(bench: RecordingRig) -> None:
    bench.measured(4.0, current=1.2 * bench.robot.supply.rated_current, angles=standing(bench))


def bad(bench: RecordingRig) -> None:
    for _ in range(5):
        bench.bad()
        bench.tick()


def held_long(bench: RecordingRig) -> None:
    bench.seconds(2.5)


def sit(bench: RecordingRig) -> None:
    bench.enable(False)
    bench.seconds(0.1)


def ending(bench: RecordingRig) -> None:
    bench.watchdog.end(bench.now)
    bench.seconds(0.1)


def low(bench: RecordingRig) -> None:
    bench.measured(1.0, voltage=0.9 * bench.robot.supply.low_voltage, angles=standing(bench))


def lost(bench: RecordingRig) -> None:
    bench.measure(voltage=0.1)
    bench.tick()


def gone(bench: RecordingRig) -> None:
    bench.measure(present=False)
    bench.tick()


def stopped(bench: RecordingRig) -> None:
    bench.says("stopped", ReasonCode.EMERGENCY_STOP)
    bench.tick()


def board_off(bench: RecordingRig) -> None:
    bench.says("stopped", ReasonCode.BOARD_POWER_LOST, detail="its registers are those of a power-on reset")
    bench.tick()


def tipped(bench: RecordingRig) -> None:
    bench.tilted(1.0, radians(60))
    bench.tick()


def ignored(bench: RecordingRig) -> None:
    bench.says("lowering", ReasonCode.WATCHDOG_SILENT, seconds="0.5")
    bench.run(3.0, standing(bench))


def output_off(bench: RecordingRig) -> None:
    bench.says("off", ReasonCode.SWITCHED_OFF)
    bench.tick()


def off_now(bench: RecordingRig) -> None:
    bench.watchdog.end(bench.now)
    bench.watchdog.off_now(Reason.of(ReasonCode.SWITCHED_OFF), bench.now)
    bench.tick()


def too_hot(bench: RecordingRig) -> None:
    bench.watchdog.heat = HeatWatch(heating(100.0, 20.0), bench.now)
    bench.until(State.LOWERING, within=60.0)
    bench.tick()


def idle(bench: RecordingRig) -> None:
    bench.watchdog.idle.seconds = 31.0
    bench.until(State.LOWERING, within=60.0)
    bench.tick()


CASES = {
    too_hot: ("lowering", "too hot", Weight.TROUBLE),
    idle: ("lowering", "no command came", Weight.USUAL),
    missing: ("hold", "frames of joint angles stopped", Weight.TROUBLE),
    limit: ("hold", "joint limit or the clearance", Weight.TROUBLE),
    silent: ("hold", "servo_output fell silent", Weight.TROUBLE),
    current: ("hold", "more than the supply is rated", Weight.TROUBLE),
    bad: ("hold", "could not be used", Weight.TROUBLE),
    held_long: ("lowering", "had held for 2 s", Weight.TROUBLE),
    over_long: ("lowering", "more than the supply is rated", Weight.TROUBLE),
    sit: ("lowering", "asked to sit", Weight.USUAL),
    ending: ("lowering", "asked to end", Weight.USUAL),
    low: ("lowering", "voltage was too low", Weight.FAULT),
    lost: ("fault", "lost their power", Weight.FAULT),
    gone: ("fault", "lost their power", Weight.FAULT),
    stopped: ("fault", "emergency stop", Weight.FAULT),
    board_off: ("fault", "board was without power", Weight.FAULT),
    tipped: ("off", "leaned farther", Weight.FAULT),
    ignored: ("off", "did not obey", Weight.TROUBLE),
    output_off: ("off", "took the power off by itself", Weight.TROUBLE),
    off_now: ("off", "second Ctrl-C", Weight.TROUBLE),
}


@pytest.mark.parametrize("cause", CASES, ids=lambda cause: cause.__name__)
def test_each_reason_of_the_watchdog_is_explained(up: RecordingRig, cause) -> None:
    state, words, weight = CASES[cause]
    cause(up)
    found = [event for event in up.events if event.state == state and words in event.explanation.what]
    assert found, [(event.state, event.why, event.explanation.what) for event in up.events]
    heaviest = max(found, key=lambda event: event.weight)
    assert heaviest.weight is weight
    assert heaviest.explanation.then or weight is Weight.USUAL
    assert not any(event.explanation.what == UNKNOWN for event in up.events)


def test_a_usual_day_is_told_in_its_order_and_nothing_else(up: RecordingRig) -> None:
    up.run(1.0, standing(up))
    up.enable(False)
    up.until(State.OFF)
    told = [event.state for event in up.events]
    assert told == ["off", "rising", "active", "lowering", "off"]
    assert all(event.weight is Weight.USUAL for event in up.events)


def test_what_goes_on_within_a_state_is_an_event_of_its_own_once(up: RecordingRig) -> None:
    up.run(1.5, beyond(up))
    up.run(3.0, standing(up))
    found = [event for event in up.events if event.weight is Weight.NOTICE]
    assert [event.explanation.what for event in found] == ["a joint was asked beyond its limit"]
    assert 1.0 < found[0].end - found[0].start < 4.0
    assert "allowed is" in found[0].why


def test_each_notice_is_explained(up: RecordingRig) -> None:
    rated = up.robot.supply.rated_current
    up.measured(0.5, current=0.95 * rated, angles=standing(up))
    assert "current was near" in " ".join(notice.meaning.what for notice in up.watchdog.notices)
    for _ in range(3):
        up.legs(up.standing, "front_left", "rear_right")
        up.tick(2)
    up.bad()
    up.tick()
    said = {explanation.what for event in up.events for explanation in [event.explanation]}
    assert "a joint target could not be used" in said


@pytest.mark.parametrize(
    ("resistance", "what", "weight"), [(35.0, "was warm", Weight.NOTICE), (48.0, "was hot", Weight.TROUBLE)]
)
def test_warm_and_hot_servos_are_explained(up: RecordingRig, resistance: float, what: str, weight: Weight) -> None:
    up.watchdog.heat = HeatWatch(heating(resistance), up.now)
    up.run(30.0, standing(up))
    (found,) = [event for event in up.events if f"servo {what}" in event.explanation.what]
    assert found.weight is weight
    assert found.end == pytest.approx(up.now)


def test_a_robot_that_will_lower_itself_is_explained(up: RecordingRig) -> None:
    up.watchdog.idle.seconds = 31.0
    up.run(5.0, standing(up))
    assert any("no command had come" in event.explanation.what for event in up.events)


def test_every_code_of_a_notice_survives_the_wire_and_has_its_sentence() -> None:
    cause = Reason.of(ReasonCode.JOINT_LIMIT, joint="front_left_hip", angle_deg="9.0", lower_deg="1", upper_deg="2")
    reason = Reason.of(ReasonCode.AT_LIMIT, cause, seconds="3")
    said = over_the_wire(NodeStatus("hold", reason, (Reason.of(ReasonCode.SLOWED), cause), {"more": "figures"}))
    assert (said.state, said.reason, said.notices) == ("hold", reason, (Reason.of(ReasonCode.SLOWED), cause))
    assert said.figures["more"] == "figures"
    assert str(said.reason) == "at a limit for 3 s: front_left_hip asked for 9.0°, allowed is 1° to 2°"


@pytest.mark.parametrize("code", [*ReasonCode, *FollowingCode, *HeatLevel, *IdleCode], ids=lambda code: code.value)
def test_every_code_has_a_sentence_unless_nothing_is_so(code) -> None:
    nothing = (FollowingCode.FOLLOWS, HeatLevel.COOL, IdleCode.NOT_IDLE)
    assert (code in nothing) is (code.value not in CATALOGUE)


def test_a_code_of_another_version_is_told_by_its_name() -> None:
    said = NodeStatus.of_values({"state": "hold", "reason": "moon_too_bright", "notice_1": "owls"})
    assert said.sentence == "moon too bright; owls"
    assert [event.explanation.what for event in events(state_intervals([(0.0, said)], 1.0), [])] == [
        "it held still with power"
    ]


def test_a_recording_without_codes_has_its_states_and_their_words() -> None:
    told = [(0.0, "active: following the joint targets"), (5.0, "hold: no good frame"), (6.0, "fault: emergency stop")]
    found = events(state_intervals([(time, NodeStatus.of_text(text)) for time, text in told], 9.0), [])
    assert [(event.state, event.why, event.weight) for event in found] == [
        ("active", "following the joint targets", Weight.USUAL),
        ("hold", "no good frame", Weight.TROUBLE),
        ("fault", "emergency stop", Weight.FAULT),
    ]


def test_reasons_of_servo_output_are_explained() -> None:
    robot, now = sample_robots.inspector(), 0.0
    rest = stance_angles(robot, robot.resting)
    output = OutputSupervisor(robot, 0.02, now, found=rest)
    following = NodeStatus("following", Reason.of(ReasonCode.COMMANDS_FOLLOWED))
    said = [(now, following), (now, NodeStatus(output.state.value, output.reason))]
    while output.state.value != "off":
        now += 0.02
        output.tick(now)
        said.append((now, NodeStatus(output.state.value, output.reason)))
    found = events([], state_intervals(said, now))
    assert [event.state for event in found] == ["holding", "lowering", "off"]
    assert not any(event.explanation.what == UNKNOWN for event in found)
    for code in (ReasonCode.WATCHDOG_SILENT, ReasonCode.BOARD_FAILS):
        assert explain("holding", Reason.of(code), by_output=True).weight is Weight.TROUBLE


def test_a_stop_that_both_tell_is_one_event() -> None:
    stop = Reason.of(ReasonCode.EMERGENCY_STOP)
    active = NodeStatus("active", Reason.of(ReasonCode.TARGETS_FOLLOWED))
    following = NodeStatus("following", Reason.of(ReasonCode.COMMANDS_FOLLOWED))
    states = state_intervals([(0.0, active), (5.02, NodeStatus("fault", stop))], 9.0)
    output = state_intervals([(0.0, following), (5.0, NodeStatus("stopped", stop))], 9.0)
    assert [(event.source, event.state) for event in events(states, output)] == [
        ("watchdog", "active"),
        ("watchdog", "fault"),
    ]


def test_a_state_of_another_version_is_told_in_its_own_words() -> None:
    found = events(state_intervals([(0.0, NodeStatus.of_text("dancing: for joy"))], 1.0), [])
    assert (found[0].state, found[0].why, found[0].explanation.what) == ("dancing", "for joy", UNKNOWN)


def complaint(time: float, node: str, level: int, message: str, *notices: CodedFact) -> Diagnosis:
    status = NodeStatus.of_health(Health(message, {"servo_state": "off"}, state="some", notices=notices))
    return Diagnosis(time, node, level, message, status.values())


def test_complaints_of_the_same_code_are_one() -> None:
    slips, no_imu = CodedFact.of(FootCode.REAR_LEFT_SLIPS), CodedFact.of(EstimateCode.NO_IMU)
    said = [complaint(float(k), "gait", 1, "", CodedFact.of(Obstacle.LEANS, margin_mm=k)) for k in range(3)]
    said += [complaint(9.0, "base_motion", 2, "out of reach"), complaint(9.5, "servo_output", 1, "off")]
    said += [complaint(4.0, "state_estimator", 1, "", slips, no_imu), complaint(5.0, "state_estimator", 1, "", slips)]
    said += [complaint(6.0, "gait", 0, "well", CodedFact.of(Obstacle.TOO_FAST))]
    found = {(c.node, c.message): (c.count, c.first, c.last) for c in complaints(said)}
    assert found == {
        ("base_motion", "out of reach"): (1, 9.0, 9.0),
        ("gait", str(Reason.of(Obstacle.LEANS, margin_mm=0))): (3, 0.0, 2.0),
        ("state_estimator", "rear_left slips: the foot is left out"): (2, 4.0, 5.0),
        ("state_estimator", "no IMU: estimating from leg kinematics; uncertainty grows"): (1, 4.0, 4.0),
    }


def test_complaints_of_recordings_made_before_the_catalogue_had_their_sentences_are_told_as_they_are() -> None:
    def before(time: float, **told: str) -> Diagnosis:
        pairs = [pair for n, (code, says) in enumerate(told.items(), 1) for pair in _as_before(n, code, says)]
        return Diagnosis(time, "state_estimator", 1, "", dict(pairs))

    said = [before(4.0, rear_left_slips="it slips", no_imu="no IMU"), before(5.0, rear_left_slips="it slips")]
    found = {(c.node, c.message): (c.count, c.first, c.last) for c in complaints(said)}
    assert found == {
        ("state_estimator", "it slips"): (2, 4.0, 5.0),
        ("state_estimator", "no IMU"): (1, 4.0, 4.0),
    }


def _as_before(number: int, code: str, says: str) -> list[tuple[str, str]]:
    return [(f"complaint_{number}", code), (f"complaint_{number}.says", says)]


def test_nothing_said_is_no_event() -> None:
    assert events([], []) == []
