"""All that can happen to a stack, drawn by a seed: faults of processes, clocks, board and sensors, strangers on its
topics, and people who press everything in any order.

Each kind is one entry of `KINDS`: how often it is drawn, how its figures are drawn, and what it does.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from math import cos, exp, inf, pi, sin, tan
from typing import Any

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import BoardError
from quadleg.estimation.tilt import FILTER_TIME
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.runtime.node_table import GRAPH
from quadleg.safety.deadlines import HOLD_TIME, LOW_TIME, OVER_TIME, SHORTFALL_HOLD, SHORTFALL_LOWER, TIP_TIME
from quadleg.safety.supply_watch import LOST_SHARE
from quadleg.teleop.stack_link import Service
from quadleg.topic_table import TOPICS
from simulated_graph.board_happenings import BOARD_KINDS
from simulated_graph.deadline_judge import SENSED_WITHIN, STOPPED, UPSET_AFTER
from simulated_graph.flickers import FLICKER_KINDS, HEAVY
from simulated_graph.hand_happenings import HAND_KINDS
from simulated_graph.happening_kinds import Kind, Scene, drawn_seconds, only_seconds
from simulated_graph.message_faults import MESSAGE_KINDS
from simulated_graph.stack import SimulatedStack
from simulated_graph.strangers import CUTTING_TOPICS, MISTAKES, SOME_JOINTS
from simulated_graph.target_faults import TARGET_KINDS
from simulated_graph.unsafe_actions import CUT_WITHIN

NODES = ("servo_output", "joint_watchdog", "gait", "base_motion", "front_left_ik", "rear_right_ik", "state_estimator")
# Those of all robots of a domain have a type that not every computer has.
STRANGE_TOPICS = sorted(topic for topic in TOPICS if not topic.startswith("/"))
IMU_NOISE = 0.02  # rad/s and m/s²
TIPPING_TIME = 0.3  # s that a body takes to fall over
# s from the begin of a fall to no pulse: the accelerometer is low-passed, since steps jolt it, and a jolt is no fall.
TIP_SEEN = TIPPING_TIME + FILTER_TIME + TIP_TIME
# Two knocks against the body, each so hard that the low-passed vertical is past the tip angle for a few hundredths of a
# second: a jolt is no fall, however often it comes.
KNOCK_TIME = 0.2  # s
KNOCK_EVERY = 2.5  # s
PAST_TIP = 1.03  # of the tangent of the tip angle, at most
HEAVY_LOWERED = SHORTFALL_HOLD + SHORTFALL_LOWER + 1.5  # s: filtered readings, and first it goes slower
LASTS_HEAVY = (HEAVY_LOWERED + 1.0, HEAVY_LOWERED + 4.0)  # s
# s that an IMU is silent, and when meanwhile the body is asked to lean, and to be level again
BLIND_TIME, LEANS_AFTER, LEVEL_AFTER = 6.0, 1.0, 4.0
FOR_GOOD = 1e6  # s
HAND_PERIOD = 0.1  # s between the velocities that a hand sends


def _nothing(_: random.Random) -> tuple[Any, ...]:
    return ()


def _drawn_node(chance: random.Random) -> str:
    """The two that keep a robot safe are drawn more often than any other."""
    return chance.choice(chance.choice((("servo_output",), ("joint_watchdog",), NODES)))


def _node(chance: random.Random) -> tuple[Any, ...]:
    return (_drawn_node(chance),)


def _node_and_seconds(chance: random.Random) -> tuple[Any, ...]:
    return _drawn_node(chance), drawn_seconds(chance)


# Processes and clocks


def _kill(scene: Scene, node: str) -> None:
    scene.process(node).kill()


def _freeze(scene: Scene, node: str, seconds: float) -> None:
    scene.process(node).middleware.freeze(seconds)


def _slow(scene: Scene, node: str, seconds: float) -> None:
    middleware = scene.process(node).middleware
    middleware.slowness = 10.0

    def recover() -> None:
        middleware.slowness = 1.0

    scene.stack.time.after(seconds, recover)


def _terminate(scene: Scene, node: str) -> None:
    scene.process(node).signal()


def _suspend(scene: Scene, seconds: float) -> None:
    for process in scene.stack.processes.values():
        process.middleware.freeze(seconds)
    _freeze_parent(scene, seconds)


def _freeze_parent(scene: Scene, seconds: float) -> None:
    scene.stack.parent_frozen_until = scene.stack.now + seconds


def _kill_parent(scene: Scene) -> None:
    scene.stack.kill_parent()


def _step_clock(scene: Scene, seconds: float) -> None:
    scene.stack.time.step_system_clock(seconds)


# Sensors


def _feel_supply(scene: Scene, volts: float, amperes: float, seconds: float) -> None:
    stack, supply = scene.stack, scene.stack.robot.supply
    lost, low = volts < LOST_SHARE * supply.voltage, volts < supply.low_voltage
    over, heavy = amperes > supply.rated_current, amperes >= HEAVY
    if low or heavy:
        scene.deadlines.upset(seconds + UPSET_AFTER)
    if lost:
        stack.excuse("the supply is lost", seconds + CUT_WITHIN)
    if supply.sensor:
        scene.judge.wants_cut("lost_supply_not_cut", seconds if lost else 0.0, CUT_WITHIN)
        _want_lowering(scene, low and not lost, over, seconds)
        if heavy and scene.person.state("joint_watchdog") == "active":
            scene.deadlines.wants("no_lowering", HEAVY_LOWERED, seconds, STOPPED, "heavy")
        if lost:
            scene.deadlines.unfit("lost", SENSED_WITHIN, seconds)
    for board in stack.boards:
        if board.power:
            scene.feel(board.power, lambda: (volts, amperes), seconds)


def _heavy(scene: Scene, seconds: float) -> None:
    """The servos draw what no pose explains: one is stuck, or a leg is held."""
    _feel_supply(scene, scene.stack.robot.supply.voltage, HEAVY, seconds)


def _want_lowering(scene: Scene, low: bool, over: bool, seconds: float) -> None:
    """What the supply's figures are to come to, in place of what those before were."""
    deadlines = scene.deadlines
    for what in ("lost", "low", "over", "heavy"):
        deadlines.fit(what)
    if low:
        deadlines.unfit("low", SENSED_WITHIN, seconds)
        deadlines.wants("no_lowering", LOW_TIME + SENSED_WITHIN, seconds, STOPPED, "low")
    if over:
        deadlines.unfit("over", SENSED_WITHIN, seconds)
        deadlines.wants("no_hold", OVER_TIME + SENSED_WITHIN, seconds, ("hold", *STOPPED), "over")
        deadlines.wants("no_lowering", OVER_TIME + HOLD_TIME + SENSED_WITHIN, seconds, STOPPED, "over")


def _feel_motion(scene: Scene, kind: str, seconds: float) -> None:
    stack = scene.stack
    if kind == "knocks":
        # Levelling would go by an IMU that does not feel it, and two knocks at once are a fall.
        if stack.levels_itself or any(scene.is_faulty(board.imu) for board in stack.boards):
            return
        seconds = 2 * KNOCK_EVERY
    scene.deadlines.upset(seconds + UPSET_AFTER)
    scene.deadlines.fit("tipped")
    scene.judge.wants_cut("tip_over_not_cut", 0.0, TIP_SEEN)
    if kind == "tips":
        seconds += 2 * TIPPING_TIME
        stack.excuse("the body is tipped", seconds + CUT_WITHIN)
        if stack.robot.imu:
            scene.judge.wants_cut("tip_over_not_cut", seconds - TIPPING_TIME, TIP_SEEN)
            scene.deadlines.unfit("tipped", TIP_SEEN, seconds - TIPPING_TIME)
    for board in stack.boards:
        if board.imu:
            scene.feel(board.imu, _felt(kind, board.imu.feel, stack, seconds), seconds)


def _sensor_dies(scene: Scene, what: str, said: Any, seconds: float) -> None:
    """An IMU that has felt the body tipped, or a supply sensor that has measured so many V, falls silent for good: what
    it said last is to be forgotten."""

    def die() -> None:
        scene.deadlines.upset(UPSET_AFTER)
        for unfit in ("tipped", "lost", "low", "over", "heavy"):
            scene.deadlines.fit(unfit)
        for code in ("tip_over_not_cut", "lost_supply_not_cut"):
            scene.judge.wants_cut(code, 0.0, 0.0)
        for board in scene.stack.boards:
            if sensor := board.imu if what == "imu" else board.power:
                scene.feel(sensor, _silent, FOR_GOOD)

    if what == "imu":
        _feel_motion(scene, said, seconds + TIP_SEEN)
        scene.stack.time.after(seconds + TIP_SEEN, die)
    else:
        _feel_supply(scene, said, 1.0, seconds)
        scene.stack.time.after(seconds, die)


def _silent() -> Any:
    raise BoardError("no answer of the sensor", "check the wiring")


def _felt(kind: str, sound: Callable[[], Any], stack: SimulatedStack, seconds: float) -> Callable[[], Any]:
    if kind == "frozen":
        once = sound()
        return lambda: once
    if kind == "silent":
        return _silent
    if kind == "knocks":
        return _knocks(stack)
    begun, rate = stack.now, {"tips": 1.4, "leans": 0.5}[kind] / TIPPING_TIME
    chance = stack.bus.random_for(f"imu {kind}")

    def feel() -> Any:
        """To one side and, at the end, back."""
        passed = stack.now - begun
        left = begun + seconds - stack.now
        tilt = rate * min(passed, TIPPING_TIME, max(left, 0.0))
        turning = rate if passed < TIPPING_TIME else -rate if 0.0 < left < TIPPING_TIME else 0.0
        # Without noise the driver would take the sensor for stuck.
        noise = chance.gauss(0.0, IMU_NOISE)
        return (turning + noise, 0.0, 0.0), (noise, STANDARD_GRAVITY * sin(tilt), STANDARD_GRAVITY * cos(tilt))

    return feel


def _knocks(stack: SimulatedStack) -> Callable[[], Any]:
    begun, chance = stack.now, stack.bus.random_for("imu knocks")
    risen = 1.0 - exp(-KNOCK_TIME / FILTER_TIME)
    aside = PAST_TIP * tan(stack.robot.tip_angle) * STANDARD_GRAVITY / risen

    def feel() -> Any:
        noise = chance.gauss(0.0, IMU_NOISE)
        knocked = (stack.now - begun) % KNOCK_EVERY < KNOCK_TIME
        return (noise, 0.0, 0.0), (noise, aside if knocked else 0.0, STANDARD_GRAVITY)

    return feel


# People


def _enable(scene: Scene, on: bool) -> None:
    scene.person.ask(Service.ENABLE, on)


def _reset(scene: Scene) -> None:
    scene.person.ask(Service.RESET)


def _stop(scene: Scene) -> None:
    scene.person.ask(Service.EMERGENCY_STOP)


def _interrupt(scene: Scene) -> None:
    scene.stack.interrupt()


def _kill_and_freeze(scene: Scene, killed: str, frozen: str, seconds: float) -> None:
    """One of a pair is started again, and the other does not hear it for a while."""
    _freeze(scene, frozen, seconds)
    if scene.process(killed) is not scene.process(frozen):
        _kill(scene, killed)


def _choose_gait(scene: Scene, name: str) -> None:
    scene.person.ask(Service.GAIT, name)


def _walk(scene: Scene, topic: str, velocity: tuple[float, float, float], seconds: float) -> None:
    until = scene.stack.now + seconds

    def send() -> None:
        if scene.stack.now < until:
            scene.person.walk(topic, velocity)
            scene.stack.time.after(HAND_PERIOD, send)

    send()


def _pose(scene: Scene, topic: str, place: tuple[float, float, float]) -> None:
    scene.person.pose(topic, place)


def _draw_death(chance: random.Random) -> tuple[Any, ...]:
    what, said = chance.choice((("imu", "tips"), ("imu", "leans"), ("supply", 0.1), ("supply", 4.5), ("supply", 6.0)))
    return what, said, round(chance.uniform(0.1, 1.5), 3)


def _draw_walk(chance: random.Random) -> tuple[Any, ...]:
    direction, speed = chance.uniform(-pi, pi), chance.choice((0.02, 0.08, 0.3, 5.0))
    velocity = (round(speed * cos(direction), 4), round(speed * sin(direction), 4), round(chance.uniform(-1, 1), 4))
    return chance.choice(("cmd_vel", "teleop/cmd_vel")), velocity, round(chance.uniform(0.2, 6.0), 2)


def _draw_pose(chance: random.Random) -> tuple[Any, ...]:
    place = tuple(round(chance.uniform(-0.05, 0.05), 4) for _ in range(2))
    return chance.choice(("base_target", "teleop/base_target")), (*place, round(chance.uniform(0.05, 0.2), 4))


def _lean_blind(scene: Scene, roll: float) -> None:
    """The body is asked to lean while its IMU is silent, and back before it is heard again: nothing tells how it is."""
    _feel_motion(scene, "silent", BLIND_TIME)
    place = (0.0, 0.0, scene.stack.robot.standing.height)
    scene.stack.time.after(LEANS_AFTER, lambda: scene.person.pose("base_target", place, roll))
    scene.stack.time.after(LEVEL_AFTER, lambda: scene.person.pose("base_target", place))


# Strangers


def _publish_absurd(scene: Scene, topic: str, count: int, seed: int) -> None:
    def publish() -> None:
        if topic in CUTTING_TOPICS:
            # What it has cut is cut once the board takes frames again.
            waits = scene.stack.bus_faults.lasts(scene.stack.now)
            scene.stack.excuse(f"a stranger on {topic}", waits + count * scene.stranger.period + 1.0)
        scene.deadlines.upset(UPSET_AFTER)
        scene.stranger.publish(topic, count, random.Random(seed))

    scene.stranger.once_found(topic, publish)


def _command_wrongly(scene: Scene, mistake: str, count: int) -> None:
    def command() -> None:
        if mistake != SOME_JOINTS or scene.person.state("joint_watchdog") == "active":
            scene.stranger.command_wrongly(mistake, count)

    scene.stranger.once_found("joint_commands", command)


def _second_watchdog(scene: Scene, seconds: float) -> None:
    """Somebody starts another joint_watchdog beside the one that has the robot up."""
    stack = scene.stack
    if scene.person.state("joint_watchdog") not in ("active", "hold"):
        return
    process = SimulatedMiddleware(stack.bus, "second watchdog", stack.namespace)
    (entry,) = (entry for entry in GRAPH if entry.name == "joint_watchdog")
    known = list(stack.bus.subscriptions)
    entry.make(process, stack.parameters_of(entry))
    for subscription in stack.bus.subscriptions:
        if subscription not in known:
            subscription.node_name = process.name  # what it hears is not what the watchdog hears
    for publisher in list(stack.bus.publishers):
        if publisher.gid.startswith(process.name.encode()) and publisher.topic.endswith(("/state", "/status")):
            stack.bus.remove_publisher(publisher, orderly=True)  # people are to hear of one watchdog only
    stack.time.after(seconds, process.kill)


KINDS = {
    "kill": Kind(2.0, _node, _kill),
    "freeze": Kind(4.0, _node_and_seconds, _freeze),
    "slow": Kind(2.0, _node_and_seconds, _slow),
    "terminate": Kind(0.5, _node, _terminate, upsets=inf),
    "suspend": Kind(1.0, only_seconds, _suspend),
    "freeze_parent": Kind(0.5, only_seconds, _freeze_parent),
    "kill_parent": Kind(0.3, _nothing, _kill_parent, upsets=inf),
    "step_clock": Kind(1.0, lambda r: (r.choice((-3600.0, -1.0, -0.01, 0.01, 1.0, 3600.0)),), _step_clock, upsets=0.0),
    "feel_supply": Kind(
        1.5,
        lambda r: (r.choice((0.1, 4.5, 5.2, 6.0)), r.choice((1.0, HEAVY, 25.0)), drawn_seconds(r)),
        _feel_supply,
        upsets=0.0,
    ),
    "heavy": Kind(0.7, lambda r: (round(r.uniform(*LASTS_HEAVY), 2),), _heavy, upsets=0.0),
    "feel_motion": Kind(
        1.5,
        lambda r: (r.choice(("frozen", "silent", "tips", "leans", "knocks")), drawn_seconds(r)),
        _feel_motion,
        upsets=0.0,
    ),
    "sensor_dies": Kind(0.7, _draw_death, _sensor_dies, upsets=0.0),
    "enable": Kind(4.0, lambda r: (r.random() < 0.7,), _enable, upsets=0.0),
    "reset": Kind(1.5, _nothing, _reset, upsets=0.0),
    "stop": Kind(0.7, _nothing, _stop, upsets=0.0),
    "interrupt": Kind(0.2, _nothing, _interrupt, upsets=inf),
    "kill_and_freeze": Kind(
        1.0,
        lambda r: (*r.sample(("servo_output", "joint_watchdog", "gait"), 2), round(r.uniform(2.0, 10.0), 2)),
        _kill_and_freeze,
    ),
    "choose_gait": Kind(1.0, lambda r: (r.choice(("creep", "trot", "gallop")),), _choose_gait, upsets=0.0),
    "walk": Kind(4.0, _draw_walk, _walk, upsets=0.0),
    "pose": Kind(3.0, _draw_pose, _pose, upsets=0.0),
    "lean_blind": Kind(0.5, lambda r: (r.choice((-1, 1)) * round(r.uniform(0.14, 0.25), 3),), _lean_blind, upsets=0.0),
    "absurd": Kind(
        2.0,
        lambda r: (r.choice(STRANGE_TOPICS), r.choice((1, 5, 40)), r.randrange(2**31)),
        _publish_absurd,
        upsets=0.0,
    ),
    "command_wrongly": Kind(1.0, lambda r: (r.choice(MISTAKES), r.choice((1, 5, 40))), _command_wrongly, upsets=0.0),
    "second_watchdog": Kind(0.7, lambda r: (round(r.uniform(1.0, 6.0), 2),), _second_watchdog),
    **BOARD_KINDS,
    **TARGET_KINDS,
    **FLICKER_KINDS,
    **MESSAGE_KINDS,
    **HAND_KINDS,
}
