"""`quadleg drive`: the robot on the keys of a terminal, with state, speed and all keys on the screen.

Whatever ends it (Ctrl-C, a closed terminal, a signal, a crash) ends the walking: at once where it can still say so,
and otherwise because gait takes a silence of half a second for no velocity.
"""

from __future__ import annotations

import os
import select
import sys
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import zip_longest
from math import degrees

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from quadleg.cautions import LEGS_PLACED_SHORT
from quadleg.errors import Refused, StackNotFound
from quadleg.gait.velocity_selection import LEAST_SCALE
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.interrupts import ended_by_signals, signals_held
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.runtime.node_table import check_namespace, find_each_other_soon, stay_local
from quadleg.runtime.stack_runner import need_ros
from quadleg.safety.figure_words import velocity_in_words
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.state_sentences import NEXT_STEPS
from quadleg.teleop.body_offsets import RANGE, BodyOffsets
from quadleg.teleop.keyboard_teleop import COMMANDS, GROUPS, OTHERS, KeyboardTeleop, KeyReader
from quadleg.teleop.stack_operator import PERIOD

HEARD_WITHIN = 5.0  # s for a running stack to be found
DRAW_PERIOD = 0.1
LOOK_PERIOD = 0.02  # s between looks at the keys
STALLED = 0.5  # s: keys that waited for so long are no longer meant
SURE_WITHIN = 5.0  # s between the two presses that stand a robot up which is off
ANSWER_TIME = 5.0  # s that an answer stays on the screen
NEXT_KEYS = {  # for the next step in each state
    "off": "u stands up",
    "rising": "d sits down, e stops it",
    "active": "arrows walk, d sits down",
    "hold": "u goes on, d sits down",
    "lowering": "u stands up again, e switches off at once",
    "fault": "r resets when the cause is gone, then u stands up",
}
ARROWS = {"up": "↑", "down": "↓", "left": "←", "right": "→", "enter": "Enter", "space": "Space", "tab": "Tab"}


class Drive:
    """One running stack, found by its `namespace`, driven from this terminal.

    Raises RosMissing without ROS, Refused without a terminal, and StackNotFound where no stack is found.
    """

    def __init__(self, namespace: str = "", dead_man_time: float = 2.0) -> None:
        if not (sys.stdin.isatty() and sys.stdout.isatty()):
            raise Refused("drive takes keys from a terminal, which this is not; `quadleg pose` and topics need none")
        need_ros()
        check_namespace(namespace)
        stay_local()
        find_each_other_soon()

        from quadleg.middleware.guarded_node import GuardedNode
        from quadleg.middleware.rclpy_middleware import RclpyMiddleware
        from quadleg.middleware.status_topic import hear_status
        from quadleg.nodes.operator_link import operator_on

        self._dead_man_time = dead_man_time
        self._hands = KeyboardTeleop(dead_man_time)
        self._keys = KeyReader()
        self._gait_says, self._gait_scale, self._obstacle = "", 1.0, ""
        self._said, self._said_at = "", 0.0
        self._sure_until = 0.0
        self._over = False
        self._middleware = RclpyMiddleware(namespace=namespace)
        self._node = GuardedNode(self._middleware, "quadleg_drive")
        try:
            robot_file, prefix = self._find()
            self._robot = load_robot(find_robot(robot_file))
            body = BodyOffsets(self._robot.standing.height, RANGE)
            frame = f"{prefix}base_footprint"
            self._operator = operator_on(self._node, frame, body, self._hear, NEXT_KEYS["fault"])
            hear_status(self._node.subscribe, "gait", self._gait_status)
        except BaseException:
            self._middleware.close()
            raise

    def close(self) -> None:
        """Says that no velocity is wanted, and frees the connection."""
        self._operator.close()
        self._middleware.close()

    def _find(self) -> tuple[str, str]:
        """The robot file and the frame prefix of the running stack."""
        from rcl_interfaces.srv import GetParameters
        from rclpy.parameter import parameter_value_to_python

        client = self._node.client("gait/get_parameters")
        absent = "no running stack is heard: gait is not there; start one in another terminal: quadleg run"
        self._wait(client.service_is_ready, absent)
        future = client.call_async(GetParameters.Request(names=["robot", "frame_prefix"]))
        silent = f"gait is there and does not answer within {HEARD_WITHIN:g} s; is `quadleg run` still there?"
        self._wait(future.done, silent)
        robot_file, prefix = map(parameter_value_to_python, future.result().values)
        return str(robot_file), str(prefix)

    def _wait(self, done: Callable[[], bool], otherwise: str) -> None:
        deadline = time.monotonic() + HEARD_WITHIN
        while not done():
            if time.monotonic() > deadline:
                raise StackNotFound(otherwise)
            self._spin(0.05)

    def _spin(self, seconds: float) -> None:
        with signals_held():
            self._middleware.spin_once(seconds)

    # The loop

    def run(self) -> str:
        """Drive until the person quits or the terminal is gone; what to know afterwards."""
        try:
            with _raw_terminal(), ended_by_signals(), Live(console=Console(), auto_refresh=False, screen=True) as live:
                try:
                    self._loop(live)
                finally:
                    self._operator.halt()
        except (KeyboardInterrupt, OSError):  # OSError: the terminal is gone
            pass
        return f"not driving any more; the robot is {self._operator.state or 'not heard'}. `quadleg sit` lowers it"

    def _loop(self, live: Live) -> None:
        ticked = drawn = looked = time.monotonic()
        while not self._over:
            self._spin(LOOK_PERIOD)
            now = time.monotonic()
            self._take_keys(now, stalled=now - looked > STALLED)
            looked = now
            if now - ticked >= PERIOD:
                ticked = now
                self._tick(now)
            if now - drawn >= DRAW_PERIOD:
                drawn = now
                live.update(self._screen(now), refresh=True)

    def _take_keys(self, now: float, stalled: bool) -> None:
        if select.select([sys.stdin], [], [], 0)[0]:
            data = os.read(sys.stdin.fileno(), 4096)
            if not data:
                self._over = True  # the terminal is closed
        else:
            data = b""
        if stalled:
            self._hands.release()
        for key in self._keys.take(data):
            command = self._hands.press(key, now) if not stalled or key == "e" else ""
            if command:
                self._do(command, now)
        self._take_no_speed()

    def _take_no_speed(self) -> None:
        """A robot that does not stand takes none: it would set off by itself as soon as it does."""
        operator = self._operator
        if self._hands.asks_for_speed and not operator.takes_speed:
            self._hands.release()
            self._hear(operator.no_speed_taken)

    def _do(self, command: str, now: float) -> None:
        operator = self._operator
        if command == "stop":
            operator.emergency_stop()
        elif command == "stand":
            if operator.state == "off" and now > self._sure_until:
                self._sure_until = now + SURE_WITHIN
                self._hear(f"{LEGS_PLACED_SHORT} Then u again")
            else:
                self._sure_until = 0.0
                operator.enable(True)
        elif command == "sit":
            operator.enable(False)
        elif command == "reset":
            operator.reset()
        elif command == "next_gait":
            operator.choose_gait(1)
        elif command == "quit":
            self._over = True

    def _tick(self, now: float) -> None:
        operator = self._operator
        if operator.state in ("off", "fault"):
            self._hands.forget_body()
        self._take_no_speed()
        self._obstacle = operator.tick(self._hands.wish(now))

    def _hear(self, said: str) -> None:
        self._said, self._said_at = said, time.monotonic()

    def _gait_status(self, status: NodeStatus) -> None:
        self._gait_says = status.sentence
        self._gait_scale = float(status.figures.get("scale", 1.0))

    # The screen

    def _screen(self, now: float) -> Group:
        table = Table.grid(padding=(0, 2))
        table.add_column(style="bold", min_width=9)
        table.add_column()
        for heading, text in self._lines(now):
            table.add_row(heading, text)
        return Group(Text(f"quadleg drive: {self._robot.name}", style="bold"), "", table, "", self._keys_table())

    def _lines(self, now: float) -> Iterator[tuple[str, str | Text]]:
        operator = self._operator
        yield "state", f"{operator.state or 'not heard'}: {operator.why}"
        if keys := NEXT_KEYS.get(operator.state):
            yield "next", f"{NEXT_STEPS[operator.state]} Keys: {keys}"
        else:
            yield "next", "is `quadleg run` still there?"
        limits = operator.limits
        velocity = operator.velocity
        yield "asked", velocity_in_words(velocity) if velocity != ZERO_TWIST else "no velocity"
        if limits:
            (x, y, yaw), (back, right, _) = limits.ahead, limits.behind
            sides = f"{y:.3f} left, {-right:.3f} right, {yaw:.2f} rad/s turning"
            yield "limits", f"{x:.3f} m/s forward, {-back:.3f} back, {sides}"
            yield "gait", f"{limits.gait} of {', '.join(limits.gaits)}: {self._gait_says}"
        yield "clipped", Text(self._clipped(velocity), style="bold yellow")
        shift = [1000 * share * RANGE[axis] for axis, share in operator.body.shares.items() if "shift" in axis]
        tilt = [degrees(share * RANGE[axis]) for axis, share in operator.body.shares.items() if "tilt" in axis]
        yield (
            "body",
            "x {:+.0f}, y {:+.0f}, height {:+.0f} mm".format(*shift)
            + "; roll {:+.0f}, pitch {:+.0f}, yaw {:+.0f}°".format(*tilt),
        )
        left = self._hands.left(now)
        bar = "█" * round(20 * left / self._dead_man_time)
        yield "dead-man", f"{bar} {left:.1f} s until it stops" if left else "no key is pressed: it does not walk"
        yield "blocked", Text(self._obstacle, style="bold red")
        # That a stop was not answered stays, until there is news.
        fresh = now - self._said_at < ANSWER_TIME or operator.stop_unanswered
        yield "answer", Text(self._said if fresh else "", style="bold")

    def _clipped(self, velocity: Planar) -> str:
        """How much less the robot does than the keys ask for."""
        clipped = []
        if self._hands.at_limit:
            clipped.append(f"{self._hands.at_limit}: this is the most")
        if velocity != ZERO_TWIST and self._gait_scale < LEAST_SCALE:
            clipped.append(f"the robot walks at {100 * self._gait_scale:.0f} % of that: all at once is over its limits")
        return "; ".join(clipped)

    def _keys_table(self) -> Table:
        moving = [
            (f"{ARROWS.get(more, more)} {ARROWS.get(less, less)}", f"{does}, {undoes}")
            for _, more, less, does, undoes in GROUPS[self._hands.group]
        ]
        moving += [(ARROWS.get(key, key), does) for key, does in OTHERS.items()]
        commands = [
            (key, Text(does, style="bold red" if command == "stop" else ""))
            for key, (command, does) in COMMANDS.items()
        ]
        keys = Table.grid(padding=(0, 2))
        for style in ("bold", "", "bold", ""):
            keys.add_column(style=style)
        keys.add_row("", Text(f"the keys now {self._hands.group}:", style="italic"))
        for left, right in zip_longest(moving, commands, fillvalue=("", "")):
            keys.add_row(*left, *right)
        return keys


@contextmanager
def _raw_terminal() -> Iterator[None]:
    """Keys come at once and without echo; no key stops the output or this process, but Ctrl-C interrupts."""
    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    raw = termios.tcgetattr(fd)
    raw[0] &= ~termios.IXON
    raw[3] &= ~(termios.ICANON | termios.ECHO)
    raw[6][termios.VSUSP] = b"\0"
    raw[6][termios.VMIN], raw[6][termios.VTIME] = 1, 0
    termios.tcsetattr(fd, termios.TCSADRAIN, raw)
    try:
        yield
    finally:
        with suppress(termios.error):
            termios.tcsetattr(fd, termios.TCSADRAIN, before)
