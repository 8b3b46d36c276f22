"""What must never happen, as unsafe control actions: N. Leveson, J. Thomas, STPA Handbook (2018), step 3.

For each control action of the stack on the servos there are four ways to be unsafe: not given, given wrongly, given too
early or too late, stopped too soon or applied too long. Each entry of `TABLE` names one, what of the robot it would
hurt, and the check of `Judge` that finds it; all are judged by the bytes on the board.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from typing import Any

from quadleg.dynamics.servo_motors import joint_steps
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.simulated_bus import BusPublisher, NetworkConditions
from quadleg.robot.model import JOINT_NAMES, Joint
from quadleg.runtime.node_table import SERVO_OUTPUT
from quadleg.servos.board_link import LONGEST_PAUSE
from quadleg.teleop.stack_link import Service
from simulated_graph.observed_board import Write
from simulated_graph.stack import SimulatedProcess, SimulatedStack


@dataclass(frozen=True)
class UnsafeAction:
    """One unsafe control action: `code` is how a violation is named."""

    code: str
    action: str
    way: str
    hazard: str


TABLE = {
    entry.code: entry
    for entry in (
        UnsafeAction("first_pulse_elsewhere", "pulse on", "given wrongly", "a leg kicks when its servo gets power"),
        UnsafeAction("pulse_after_stop", "pulse on", "too early", "a robot that was stopped moves under a hand"),
        UnsafeAction("some_joints_powered", "pulse on", "stopped too soon", "the robot stands on limp legs"),
        UnsafeAction("no_power_when_asked", "pulse on", "not given", "a dead end: only a restart helps"),
        UnsafeAction("step_too_far", "pulse moves", "given wrongly", "a leg kicks, a gear breaks"),
        UnsafeAction("not_moved", "pulse moves", "not given", "it stands elsewhere than the stack believes"),
        UnsafeAction("beyond_limits", "pulse moves", "given wrongly", "a servo stalls against its stop and burns"),
        UnsafeAction("stop_not_obeyed", "pulse off", "not given", "a person is caught"),
        UnsafeAction("stop_too_late", "pulse off", "too late", "a person is caught"),
        UnsafeAction("tip_over_not_cut", "pulse off", "not given", "legs thrash on a robot that has fallen"),
        UnsafeAction("lost_supply_not_cut", "pulse off", "not given", "legs kick when the supply comes back"),
        UnsafeAction("dropped", "pulse off", "given wrongly", "the robot falls"),
        UnsafeAction("power_to_the_unfit", "pulse on", "given wrongly", "it falls again, or a supply is overloaded"),
        UnsafeAction("no_hold", "hold", "not given", "it stands or walks on without command"),
        UnsafeAction("follows_without_frames", "hold", "not given", "it stays with a foot in the air"),
        UnsafeAction("hold_without_cause", "hold", "given wrongly", "it stops for nothing"),
        UnsafeAction("held_too_long", "hold", "applied too long", "servos heat in an unwanted stance"),
        UnsafeAction("stopped_without_cause", "lower", "given wrongly", "it lies down for nothing"),
        UnsafeAction("moves_without_commands", "hold", "not given", "it walks on without commands"),
        UnsafeAction("power_left_on", "lower", "not given", "servos heat without commands"),
        UnsafeAction("no_lowering", "lower", "not given", "it stands on where its supply or its commands fail"),
        UnsafeAction("lowering_is_given_up", "lower", "stopped too soon", "it stands on when its node ends"),
        UnsafeAction("lowering_without_end", "lower", "applied too long", "servos press the body into the ground"),
        UnsafeAction("idle_not_lowered", "lower", "not given", "servos heat on an unused robot"),
        UnsafeAction("report_is_wrong", "all", "given wrongly", "a person believes a powered robot to be off"),
        UnsafeAction("state_is_wrong", "all", "given wrongly", "a person believes a limp robot to stand"),
        UnsafeAction("reason_is_wrong", "all", "too early", "it stops before its time, for what is not so"),
        UnsafeAction("goes_on_unasked", "pulse moves", "given wrongly", "a robot that was stopped moves under a hand"),
        UnsafeAction("stop_ends_too_soon", "pulse off", "stopped too soon", "not everyone hears of a stop"),
        UnsafeAction("refusal_without_reason", "all", "not given", "a person does not know what to do"),
        UnsafeAction("walks_on", "walk", "applied too long", "it walks on without a command"),
        UnsafeAction("walks_without_hand", "walk", "applied too long", "it walks on with no hand on the pad"),
        UnsafeAction("press_without_answer", "all", "not given", "a person does not know what was done"),
        UnsafeAction("state_shown_is_wrong", "all", "given wrongly", "a person takes a robot for another state's"),
        UnsafeAction("news_are_wrong", "all", "not given", "a person trusts what is old"),
        UnsafeAction("recorder_stops_unsaid", "record", "stopped too soon", "a fault leaves no trace"),
        UnsafeAction("recording_is_lost", "record", "stopped too soon", "a fault leaves no trace"),
        UnsafeAction("defect", "all", "given wrongly", "a part of the safety chain raised an error"),
    )
}

COME_DOWN = 0.003  # m over the resting pose where the power may end
REPORT_WITHIN = 1.0  # s that a report may be behind the board
STOP_WITHIN = 0.3  # s from a stop to no pulse: two messages that are late
ASKED_ANEW = 1.0  # s from one stop to one that is not the same repeated
STOP_COMES = 20.0  # s after a stop was asked for in which it may come: a servo_output that is frozen hears it then
CUT_WITHIN = 0.5  # s from a lost supply to no pulse
POWERED_ALONE = 15.0  # s that power may stay on with no watchdog: 6 s of holding a found board, and the way down
LONGEST_LOWERING = 15.0  # s
STANDS_STILL_WITHIN = 8.0  # s from the last wish until no pulse moves: a stride, the steps home, the way of the body
WISHES = ("cmd_vel", "teleop/cmd_vel", "base_target", "teleop/base_target")
DISCOVERY = 3.5  # s until a new process is heard
TOLERANCE = 1.02  # of a step, for whole counts


def count_of(joint: Joint) -> float:
    """How far a joint turns for one count of the board (rad)."""
    return 4.9e-6 / abs(joint.servo.pulse_per_radian)


@dataclass(frozen=True)
class Violation:
    """An unsafe control action that happened: its code, when (s) and what was seen."""

    code: str
    time: float
    seen: str

    def __str__(self) -> str:
        return f"{self.time - 1000.0:8.3f} s  {self.code}: {self.seen}"


class Lasting:
    """Notes a violation of `judge` for what lasts too long; to be called at every look, for each check by its code and,
    where several have that, a `check` of its own."""

    def __init__(self, judge: Judge, stack: SimulatedStack) -> None:
        self._judge = judge
        self._stack = stack
        self._since: dict[tuple[str, str], float] = {}

    def __call__(self, code: str, is_so: bool, longest: float, seen: str, check: str = "") -> None:
        """Note it where it has been so for longer than so many seconds."""
        if not is_so:
            self._since.pop((code, check), None)
        elif self._stack.now - self._since.setdefault((code, check), self._stack.now) > longest:
            self._judge.violate(code, f"for {longest:g} s: {seen}")

    def clear(self) -> None:
        """Begin anew."""
        self._since.clear()


class Judge:
    """Judges each write to the board of `stack`, and what is reported; `violations` are what it found."""

    def __init__(self, stack: SimulatedStack, state_of: Callable[[str], str]) -> None:
        """`state_of` gives the state that a node reported last, empty where that is not known."""
        self._stack = stack
        self._state_of = state_of
        robot = stack.robot
        self._rest = stance_angles(robot, robot.resting)
        self._reach = joint_steps(robot, 1.0 / stack.options.rate)
        self._count = [count_of(joint) for joint in robot.joints]
        self.violations: list[Violation] = []
        self._stopped: float | None = None  # when a stop was served, until a reset and an enable
        self._stop_asked = -inf
        self._stop_owed = False  # a stop was answered with that the pulses may still be on
        self._reset_at = self._reset_counts_from = -inf  # s
        self._witnesses: list[SimulatedProcess] = []  # of the last stop
        self._lasting = Lasting(self, stack)
        self._last_move = self._last_wish = self._active_since = stack.now
        # s that a message may take longer on this network than on the one that the times are for
        self.late = stack.bus.conditions.late_delay[1] - NetworkConditions().late_delay[1]
        # By code: from when until when its sensors tell that power has to be cut, and within what (s).
        self._wants_cut: dict[str, tuple[float, float, float]] = {}
        self._told: set[str] = set()
        self._wishes = {f"{stack.namespace}/{topic}" for topic in WISHES}
        stack.bus.observers.append(self._published)
        stack.bus.service_observers.append(self._called)
        stack.written = self.write

    def violate(self, code: str, seen: str) -> None:
        """Note a violation, each code once."""
        if code not in self._told:
            self._told.add(code)
            self.violations.append(Violation(TABLE[code].code, self._stack.now, seen))

    # What people do

    def wants_cut(self, code: str, seconds: float, within: float) -> None:
        """The robot's own sensors tell for so long that the power has to be cut, within so many seconds; for 0: they do
        no more."""
        self._wants_cut[code] = self._stack.now, self._stack.now + seconds, within

    def _published(self, publisher: BusPublisher, _: Any) -> None:
        if publisher.topic in self._wishes or publisher.node_name == "stranger":
            self._last_wish = self._stack.now

    def _called(self, service: str, request: Any, response: Any) -> None:
        """Somebody calls a service, by its full name; `response` is None until it is served."""
        self._last_wish = self._stack.now
        name = service.removeprefix(f"{self._stack.namespace}/")
        if response is None:
            if name == Service.EMERGENCY_STOP.value:
                self.stop_asked()
            return
        if name.endswith("/set_parameters"):
            success, message = response.results[0].successful, response.results[0].reason
        elif hasattr(response, "success"):
            success, message = response.success, response.message
        else:
            return
        if not success and (not message.strip() or "None" in message):
            self.violate("refusal_without_reason", f"{name} was refused with '{message}'")
        if name == Service.EMERGENCY_STOP.value:
            self._stop_served(message, success)
        elif success and name == Service.RESET.value:
            self._reset_at = self._stack.now
        elif success and name == Service.ENABLE.value and request.data:
            self._enable_served()

    def stop_asked(self) -> None:
        """Somebody asks for an emergency stop; one that is asked for again and again is due when it was first."""
        if self._stack.now - self._stop_asked > ASKED_ANEW:
            self._stop_asked = self._stack.now
        self._stack.excuse("stop", STOP_COMES)

    def _stop_served(self, message: str, success: bool) -> None:
        self._witnesses = self._safety_processes()
        if not success:  # the bus fails: the cut is repeated until it is done, and a reset may come before this answer
            self._stop_owed, self._reset_counts_from = True, self._stop_asked
            return
        self._stopped = self._reset_counts_from = self._stack.now
        if any(angle is not None for angle in self._stack.eye.held()):
            self.violate("stop_not_obeyed", f"answered '{message}' with pulses on")

    def _enable_served(self) -> None:
        """A stop that both who knew of it have taken to their graves needs no reset."""
        forgotten = not set(self._witnesses) & set(self._safety_processes())
        if self._reset_at > self._reset_counts_from or forgotten:
            self._stopped, self._stop_owed = None, False

    def _safety_processes(self) -> list[SimulatedProcess]:
        return [self._stack.process_of(node) for node in (SERVO_OUTPUT, "joint_watchdog")]

    # Each write

    def write(self, write: Write) -> None:
        """Judge a write."""
        before, after = write.before, write.after
        if before != after:
            self._last_move = write.time
        for i, (was, now) in enumerate(zip(before, after)):
            if now is not None:
                self._judge_pulse(i, was, now)
        if any(now is not None for now in after) and self._stopped is not None:
            self.violate("pulse_after_stop", "a pulse after a stop, before reset and enable")
        self._judge_cut(write)

    def _judge_pulse(self, i: int, was: float | None, now: float) -> None:
        joint = self._stack.robot.joints[i]
        slack = 2 * self._count[i]
        if was is None:
            if abs(now - self._rest[i]) > self._reach[i] * TOLERANCE + slack:
                self.violate("first_pulse_elsewhere", f"{joint.name} {now:.3f} rad, at rest {self._rest[i]:.3f}")
        elif abs(now - was) > self._reach[i] * TOLERANCE + slack:
            self.violate("step_too_far", f"{joint.name} by {now - was:.3f} rad, a frame reaches {self._reach[i]:.3f}")
        if not joint.lower - slack <= now <= joint.upper + slack:
            self.violate("beyond_limits", f"{joint.name} at {now:.3f} rad")

    def _judge_cut(self, write: Write) -> None:
        lost = [
            JOINT_NAMES[i]
            for i, (was, now) in enumerate(zip(write.before, write.after))
            if was is not None and now is None
        ]
        if not lost:
            return
        above = write.height - self._stack.robot.resting.height
        stood = all(angle is not None for angle in write.before)  # else it lies on its belly, its legs as they were put
        if stood and above > COME_DOWN and not self._stack.excused(write.time):
            self.violate("dropped", f"power cut {1000 * above:.0f} mm over rest")
        left = sum(now is not None for now in write.after)
        if left and above > COME_DOWN:  # at rest nothing stands on them: it may be asked up again before a cut is taken
            self.violate("some_joints_powered", f"{left} joints keep power, {lost[0]} loses it")

    # Now and then

    def look(self) -> None:
        """Judge what lasts; to be called every 50 ms."""
        stack, now = self._stack, self._stack.now
        held = stack.eye.held()
        powered = any(angle is not None for angle in held)
        output = stack.processes[SERVO_OUTPUT]
        watchdog = stack.process_of("joint_watchdog")
        output_sound = self.sound(output)
        bus_sound = self.bus_sound
        stop_due = self._stop_asked + STOP_WITHIN + self.late
        late = powered and stop_due < now < stop_due + 0.2 and output_sound and bus_sound and self._stopped is None
        self._lasting("stop_too_late", late, 0.05, "pulses on after a stop was asked for")
        alone = powered and output_sound and bus_sound and not watchdog.alive
        self._lasting("power_left_on", alone, POWERED_ALONE, "power on without a watchdog")
        self._lasting("moves_without_commands", alone and now - self._last_move < 0.1, POWERED_ALONE, "it moves")
        if not (output_sound and bus_sound):
            self._lasting.clear()
            return
        owed = self._stop_owed and powered and output in self._witnesses
        self._lasting("stop_not_obeyed", owed, 0.5, "pulses on after a stop that the bus did not take at first")
        said = self._state_of(SERVO_OUTPUT)
        wrong = (powered and said in ("off", "stopped")) or (not powered and said in ("holding", "lowering"))
        self._lasting("report_is_wrong", wrong, REPORT_WITHIN, f"servo_output says {said}, powered: {powered}")
        if not self.sound(watchdog):
            return
        for code, (since, until, within) in self._wants_cut.items():
            lasting = powered and since <= now < until
            self._lasting(code, lasting, within + self.late, "pulses on while its sensors tell of it")
        state = self._state_of("joint_watchdog")
        silent = said in ("off", "stopped", "following")
        wrong = (powered and state in ("off", "fault") and silent) or (not powered and state in ("active", "hold"))
        self._lasting("state_is_wrong", wrong, REPORT_WITHIN, f"state is {state}, servo_output {said}, {powered=}")
        partly = powered and None in held and state in ("active", "hold")
        self._lasting("some_joints_powered", partly, REPORT_WITHIN, f"state is {state}, and some joints have no power")
        self._judge_stillness(state)
        self._lasting("lowering_without_end", state == "lowering", LONGEST_LOWERING, "it lowers and lowers")

    def _judge_stillness(self, state: str) -> None:
        stack, now = self._stack, self._stack.now
        if state != "active" or stack.levels_itself:
            self._active_since = now
        awake = max(process.awake_since() for process in stack.processes.values())
        calm = now - max(self._last_wish, self._active_since, awake)
        moves = calm > STANDS_STILL_WITHIN and now - self._last_move < 0.1
        self._lasting("walks_on", moves, 0.5, f"it moves {calm:.1f} s after the last wish")

    @property
    def bus_sound(self) -> bool:
        """Whether the board has answered for long enough to have been opened again."""
        faults = self._stack.bus_faults
        failing = faults.failed_at if faults.failing_since < inf else -inf
        return self._stack.now > max(faults.broken_until, faults.stuck_until, failing) + LONGEST_PAUSE + 0.5

    def sound(self, process: SimulatedProcess) -> bool:
        """Whether a process runs, and has run for long enough to be heard."""
        return process.alive and process.awake_since() < self._stack.now - DISCOVERY

    def judge_logs(self) -> None:
        """Judge what nodes said: a defect is one whatever came of it, and words about a press say something."""
        for time, _, node, words in self._stack.all_logs():
            if "defect" in words:
                self.violate("defect", f"at {time - 1000:.3f} s {node}: {words[-600:]}")
            if node in ("teleop", "viewer") and words.rstrip().endswith(":"):
                self.violate("refusal_without_reason", f"at {time - 1000:.3f} s {node}: '{words}'")
