"""viewer: the robot in a browser, to be looked at and steered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from math import inf, isfinite, radians
from typing import Any

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from nav_msgs.msg import Odometry
from sensor_msgs.msg import BatteryState, JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory

from quadleg.commissioning.feasibility.reach import Reach
from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import MessageError, Refused, ViewMissing
from quadleg.geometry.planar import ZERO_TWIST, compose_planar, motion
from quadleg.geometry.transforms import Pose
from quadleg.health import Health
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of, step_back
from quadleg.middleware.topics import (
    LATCHED,
    LATEST,
    known_pose,
    led_angles,
    split_state,
)
from quadleg.nodes.operator_link import operator_on
from quadleg.plotting.resting_pose import views
from quadleg.robot.colours import BODY, LEG
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel
from quadleg.teleop.body_offsets import RANGE, BodyOffsets
from quadleg.teleop.gamepad_teleop import TeleopCommand
from quadleg.teleop.stack_operator import PERIOD
from quadleg.viewer.command_queue import CommandQueue
from quadleg.viewer.failure_notices import failure_notices
from quadleg.viewer.page_commands import (
    GAIT,
    LEVEL,
    POSE,
    RESET,
    SIT,
    STAND,
    STOP,
    WALK,
    PageCommand,
    asked_of,
)
from quadleg.viewer.view_state import (
    Above,
    Seen,
    Trail,
    ViewState,
    look,
)

PORT = 8088
SILENT = 0.5  # s: what is older is not shown as if it were new
LAST_SILENCE = 0.7  # s without joint_states: at the end of all, the others have ended
OWN_POSE_HOLDS = 0.4  # s after a base target of ours in which base_motion may still tell of the one before
AXES = ("x", "y", "height", "roll", "pitch", "yaw")
IN_SIGHT = 0.6  # m around the body of which the page draws the way
DIAGNOSED = ("servo_output", "joint_watchdog", "base_motion", "gait")
POSABLE = ("active", "hold")  # after a hold base_motion goes to the target that came in it
STATES_FOR = {POSE: POSABLE, LEVEL: POSABLE, WALK: ("active",)}
NOT_UP = "the state is {}: the robot has to stand first"


class Viewer(QuadlegNode):
    """What is heard goes to the browsers, what they ask for goes out, both twenty times a second at most."""

    def __init__(self, middleware: Middleware, name: str = "viewer", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        port = self.declare("port", PORT, "Port of the page, on 127.0.0.1", 1024, 65535)
        try:
            from quadleg.viewer.page_server import PageServer
            from quadleg.viewer.scene import Scene
        except ImportError as error:
            raise ViewMissing from error
        step_back()
        self._began = self.steady_time()
        self._ranges = ranges(self.robot)
        self._mailbox = CommandQueue()
        self._trail = Trail()
        self._heard: dict[str, tuple[RawMessage, float]] = {}  # topic or node: the last message, and when it came
        self._diagnoses: dict[str, tuple[Any, DiagnosticStatus]] = {}
        self._asked: list[float] | None = None  # of AXES, m and rad
        self._asked_at = -inf
        self._stop_wanted = self._ending = False
        self._path_grew = False
        self._footprint, self._by_odom, self._planned_at = ZERO_TWIST, False, self._began
        self._answer, self._answered_at = "", -inf
        self._hindrance = ""
        self._servo_state = ("", "servo_output is not heard")
        body = BodyOffsets(self.robot.standing.height, RANGE)
        self._hand = operator_on(self, self.prefix + "base_footprint", body, self._note_answer)
        self._scene = Scene(self.robot)
        try:
            greeting = self._greeting()
            self._page = PageServer(port, self._scene, greeting, self._hear, self._mailbox.gone, self.say_defect)
        except BaseException:
            self._scene.close()
            raise
        self.subscribe(String, "servo_state", self._servo_state_heard, LATCHED)
        self.subscribe(DiagnosticArray, "diagnostics", self._diagnostics_heard, 20, raw=True)
        self._streams = {
            topic: self.create_polled(kind, topic, LATEST)
            for kind, topic in (
                (JointState, "joint_states"),
                (JointTrajectory, "joint_commands"),
                (MultiDOFJointState, "planned_feet"),
                (MultiDOFJointState, "foot_loads"),
                (Odometry, "odom"),
                (BatteryState, "supply"),
            )
        }
        self.every(PERIOD, self._tick)
        self.get_logger().info(f"look and steer: {self._page.address}")

    def _greeting(self) -> dict[str, Any]:
        robot = self.robot
        return {
            "robot": robot.name.replace("_", " "),
            "legs": LEGS,
            "colours": {"body": BODY, **LEG},
            "ranges": self._ranges,
            "standing": dict(zip(AXES, (0.0, 0.0, robot.standing.height, 0.0, 0.0, 0.0))),
            "weight": robot.masses.total * STANDARD_GRAVITY,
            "resting": [asdict(view) for view in views(robot)],
        }

    # What is heard

    def _read(self, now: float) -> None:
        """Takes the newest of each topic that has come since the last time."""
        for topic, ear in self._streams.items():
            if taken := ear.take():
                self._heard[topic] = taken.message, now

    def _diagnostics_heard(self, message: RawMessage) -> None:
        for node in DIAGNOSED:
            if f"quadleg: {node}".encode() in message.data:
                self._heard[node] = message, self.steady_time()

    def _servo_state_heard(self, message: String) -> None:
        self._servo_state = split_state(message.data)

    def _fresh(self, topic: str, now: float) -> Any:
        """The last message of a topic; None where it is old or there is none."""
        message, at = self._heard.get(topic, (None, -inf))
        return message.read() if message and now - at < SILENT else None

    def _age(self, topic: str, now: float) -> float:
        """Seconds since something was heard, or since this node began."""
        return now - self._heard.get(topic, (None, self._began))[1]

    def _says(self, node: str) -> tuple[str, dict[str, str]]:
        """The sentence and the figures in a node's last diagnostics."""
        message, _ = self._heard.get(node, (None, -inf))
        if not message:
            return "", {}
        read, status = self._diagnoses.get(node, (None, None))
        if read is not message:
            wanted = f"quadleg: {node}"
            status = next(s for s in message.read().status if s.name == wanted)
            self._diagnoses[node] = message, status
        return status.message, {pair.key: pair.value for pair in status.values}

    def _warns(self, node: str) -> bool:
        """Whether a node's last diagnostics say that something is not as it should be."""
        self._says(node)
        return node in self._diagnoses and self._diagnoses[node][1].level != DiagnosticStatus.OK

    # What pages ask for

    def _hear(self, page: int, text: str | bytes) -> str:
        """Takes a page's message on the server's thread; why it is refused, or an empty text."""
        try:
            asked = asked_of(text, self._ranges)
            if asked.kind == STOP:
                self._hand.stop_at_once()
                self._stop_wanted = True
                self._mailbox.drop()
                return ""
            if hindrance := self._hinders(asked):
                return hindrance
            self._mailbox.put(page, asked, self.steady_time())
        except (MessageError, Refused) as error:
            return str(error)
        except Exception as error:
            self.say_defect(error)
            return f"defect in {self.get_name()}: {error!r}"
        return ""

    def _hinders(self, asked: PageCommand) -> str:
        state, limits = self._hand.state, self._hand.limits
        if state not in STATES_FOR.get(asked.kind, (state,)):
            return NOT_UP.format(state or "not heard")
        if asked.kind == STAND and state == "off" and not asked.legs_placed:
            return "nobody has said that the legs are in the resting pose: servos take their first pulses at full speed"
        if asked.kind == GAIT and (limits is None or asked.gait not in limits.gaits):
            known = ", ".join(limits.gaits) if limits else "not heard yet"
            return f"there is no gait '{asked.gait}'; gaits are {known}"
        return ""

    def _do(self, asked: PageCommand) -> None:
        if asked.kind in (STAND, SIT):
            self._hand.enable(asked.kind == STAND)
        elif asked.kind == RESET:
            self._hand.reset()
        elif asked.kind == GAIT:
            self._hand.take_gait(asked.gait)

    def _pose(self, wanted: Sequence[PageCommand], now: float) -> None:
        standing = [0.0, 0.0, self.robot.standing.height, 0.0, 0.0, 0.0]
        axes = self._asked or standing
        for asked in wanted:
            if asked.kind == LEVEL:
                axes = standing
            else:
                axes[AXES.index(asked.axis)] = asked.value
        self._asked, self._asked_at = axes, now
        self._hand.pose(Pose.from_rpy(*axes))

    def _note_answer(self, said: str) -> None:
        self._answer, self._answered_at = said, self.steady_time()
        self.get_logger().info(said)

    # Twenty times a second

    def _tick(self) -> None:
        now = self.steady_time()
        self._read(now)
        if self._stop_wanted:
            self._stop_wanted = False
            self._hand.emergency_stop()
        waiting = self._mailbox.take()
        for asked in waiting:
            self._do(asked)
        self._follow_asked(now)
        active = self._hand.state == "active"
        if self._hand.state in POSABLE and (poses := [asked for asked in waiting if asked.kind in (POSE, LEVEL)]):
            self._pose(poses, now)
        self._hindrance = self._hand.tick(TeleopCommand(walk=self._mailbox.held(now) if active else None))
        if self._page.watched:
            self._page.say(self._news(now))
        if self._ending and self._age("joint_states", now) > LAST_SILENCE:
            self.finished = True

    def _follow_asked(self, now: float) -> None:
        """Whoever asks for a pose, the sliders follow."""
        if now - self._asked_at > OWN_POSE_HOLDS:
            words = self._says("base_motion")[1].get("asked", "").split()
            self._asked = list(map(float, words)) if len(words) == len(AXES) else None

    # What pages are told

    def _news(self, now: float) -> dict[str, Any]:
        hand, limits = self._hand, self._hand.limits
        output, gait = self._says("servo_output")[1], self._says("gait")
        body_says, _ = self._says("base_motion")
        servo_state, servo_why = self._servo_state
        return {
            "failures": [asdict(notice) for notice in failure_notices(self._says("joint_watchdog")[1])],
            "state": [hand.state, hand.why],
            "servos": [servo_state, servo_why],
            "silent": {
                node: round(age, 1)
                for node, topic in (("servo_output", "joint_states"), ("joint_watchdog", "joint_commands"))
                if (age := self._age(topic, now)) > SILENT
            },
            "supply": self._supply(now, output.get("supply", "")),
            "latency": [output.get(f"tick_to_bytes_p{percent}_ms") for percent in (50, 99)],
            "angles": output.get("joint_angles", ""),
            "heat": self._heat(),
            "trouble": output.get("board_trouble", "") or output.get("sensor_trouble", ""),
            "asked": dict(zip(AXES, self._asked)) if self._asked and hand.state in POSABLE else None,
            "body_says": body_says if self._warns("base_motion") else "",
            "gait": [limits.gait, limits.gaits] if limits else None,
            "fastest": limits.ahead if limits else None,
            "gait_says": gait[0],
            "hindrance": self._hindrance,
            "answer": [self._answer, round(now - self._answered_at, 1)] if self._answer else None,
            # s since a stop of this page's or another's was answered
            "stop_answered": round(now - hand.stop_answered_at, 3) if isfinite(hand.stop_answered_at) else None,
            "plan": self._plan(now),
        }

    def _heat(self) -> list[str] | None:
        """Level, joint and °C of the hottest servo by the watchdog's model."""
        figures = self._says("joint_watchdog")[1]
        keys = ("servo_heat", "servo_hottest", "servo_hottest_c")
        return [figures[key] for key in keys] if all(key in figures for key in keys) else None

    def _supply(self, now: float, source: str) -> list[Any] | None:
        said = self._fresh("supply", now)
        if said is None:
            return None
        known = [round(value, 2) if isfinite(value) else None for value in (said.voltage, 0.0 - said.current)]
        return [*known, source]

    def _plan(self, now: float) -> dict[str, Any] | None:
        seen, source = self._seen(now)
        if seen is None:
            return None
        if self._by_odom != (seen.odom is not None):
            self._by_odom, self._trail, self._path_grew = not self._by_odom, Trail(), True
        sight = look(self.robot, seen)
        self._path_grew |= self._trail.follow(sight)
        if self._page.scenes:
            self._scene.show(sight, seen.angles, seen.commanded)
            if self._path_grew:
                self._path_grew = False
                self._scene.draw_trail(self._trail)
        return {
            "outline": _rounded(sight.outline),
            "feet": _rounded(sight.feet),
            "down": sight.down,
            "loads": [round(load, 2) for load in seen.loads] if seen.loads else None,
            "load_source": source,
            "polygon": _rounded(sight.polygon),
            "centre": _rounded([sight.centre])[0],
            "margin": None if sight.margin is None else round(sight.margin, 4),
            "powered": seen.commanded is not None,
            "odom": seen.odom is not None,
            **self._way(sight),
        }

    def _way(self, sight: ViewState) -> dict[str, Any]:
        above = Above(sight.body)
        path = [above.place(place) for place in self._trail.path]
        falls = [(*above.place(fall), fall[2]) for fall in self._trail.footfalls]
        return {
            "path": _rounded(place for place in path if max(map(abs, place)) < IN_SIGHT),
            "falls": _rounded(fall for fall in falls if max(map(abs, fall[:2])) < IN_SIGHT),
        }

    def _seen(self, now: float) -> tuple[Seen | None, str]:
        """What was heard of the robot just now, and what its loads are."""
        states = self._fresh("joint_states", now)
        found = dict(zip(states.name, states.position)) if states else {}
        angles = [found.get(name, inf) for name in JOINT_NAMES]
        if not all(map(isfinite, angles)):
            return None, ""
        commands, commanded_at = self._heard.get("joint_commands", (None, -inf))
        planned = self._fresh("planned_feet", now)
        odom = self._fresh("odom", now)
        source = "estimated"
        carried = self._fresh("foot_loads", now)
        if carried is None:
            source, carried = "planned", planned
        if planned:
            self._go_on(planned.twist[-1], now)
        places = [(p.translation.x, p.translation.y, p.translation.z) for p in planned.transforms] if planned else []
        loads = [max(0.0, wrench.force.z) for wrench in carried.wrench] if carried else []
        seen = Seen(
            angles=angles,
            commanded=led_angles(commands) if commands and now - commanded_at < SILENT else None,
            odom=known_pose(odom) if odom else None,
            footprint=self._footprint,
            planned=_of_legs(places),
            loads=_of_legs(loads),
        )
        return seen, source

    def _go_on(self, going: Any, now: float) -> None:
        """Moves base_footprint as it is planned to move, whose own velocity is the last of the plan."""
        twist = going.linear.x, going.linear.y, going.angular.z
        if now - self._planned_at < SILENT and all(map(isfinite, twist)):
            self._footprint = compose_planar(self._footprint, motion(twist, now - self._planned_at))
        self._planned_at = now

    # How it is, and how it ends

    def health(self) -> Health:
        pages = self._page.watched
        words = f"{self._page.address}, {pages} {'page looks' if pages == 1 else 'pages look'} on"
        return Health(words, {"address": self._page.address, "pages": pages})

    def end(self, alone: bool) -> None:
        self._mailbox.drop()
        self._hand.halt()
        self._ending = True  # how the robot is lowered is still seen, and can be stopped
        self.finished = alone

    def close(self) -> None:
        self._hand.close()
        self._page.close()
        self._scene.close()
        super().close()


def ranges(robot: RobotModel) -> dict[str, tuple[float, float]]:
    """How far the body goes along and about each axis from its standing pose, in m and rad, to whole mm and degrees."""
    reach = Reach.of(robot)

    def whole(low: float, high: float, unit: float) -> tuple[float, float]:
        return -(-low // unit) * unit, high // unit * unit

    ends = {axis: (down.value, up.value) for axis, (down, up) in reach.moves.items() if axis != "z"}
    ends["height"] = (reach.lowest.value, reach.highest.value)
    return {axis: whole(*ends[axis], radians(1) if axis in ("roll", "pitch", "yaw") else 0.001) for axis in AXES}


def _of_legs(values: list[Any]) -> list[Any] | None:
    """The first of a message, which are the legs'; None where they are too few or not finite."""
    legs = values[: len(LEGS)]
    return legs if len(legs) == len(LEGS) and np.isfinite(legs).all() else None


def _rounded(places: Any) -> list[list[float]]:
    return [[round(value, 4) for value in place] for place in places]


main = main_of(Viewer)
