"""A new robot file by questions at a terminal: what a ruler and a scale tell, the rest worked out from it."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from math import ceil, floor, radians
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quadleg.commissioning.wizard.servo_classes import (
    OWN,
    READY_KINDS,
    ReadyKind,
    own_kind,
    usual_stall_current,
)
from quadleg.errors import OutputPathError, Unreachable
from quadleg.gait.derived_gaits import derived_gaits
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import ROUNDING, GroundClearance
from quadleg.kinematics.leg import inverse_batch
from quadleg.robot.model import (
    JOINT_NAMES,
    BodyBox,
    Leg,
    RobotModel,
    Stance,
)
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.robot_file.maker_units import number_from

Ask = Callable[[str], str]  # shows a question, and gives what the person answers
Say = Callable[[str], None]

WELCOME = """\
Describes a new robot and writes it to {path}. Enter takes what stands in [ ].
Lengths are in mm, but "9.2 cm" does too. Ctrl-C ends it, and nothing is written.
"""

FROM_ABOVE = """
From above, front to the right:

                 |<------------ A ------------>|
                 |                             |
  rear left   ===o=======                   ===o=======  front left   ----
                 |   . - - - - G - - - - .     |                       C
   axis of - - - + - | - - - - - - - - - | - - + - - - - abduction -------
                 |   |                   |     |                       |
                 |   H       body        |     |    --> front          B
                 |   |                   |     |                       |
   axis of - - - + - | - - - - - - - - - | - - + - - - - abduction -------
                 |   ' - - - - - - - - - '     |                       C
  rear right  ===o=======                   ===o=======  front right  ----
"""

FROM_THE_SIDE = """
One leg and the body from the side, front to the right; this knee points rearward:

             .------------------------.  top of the body  ----
             |                        |                     |
             o  hip axis . . . . . . .|. . . . . . . .      |
            /|                        |               |     J
        D  / |                        |               K     |
          /  '------------------------'  belly      ---------
         o  knee axis
          \\
        E  \\
            \\
            (o)  centre of the foot sphere, its radius is F
     ===========================================  ground
"""

CLEARANCE_MM = 5
OVER_THE_TOP = 20  # mm that hip axes may be above the body's box
STANDING_SHARE = 0.71  # of the straight leg, from hip axis to foot: knees well bent, as the demo robot stands
RISE_SHARE = 0.1  # of the straight leg, the least from rest to standing, and from there to the end of the reach


@dataclass(frozen=True)
class Measures:
    """The lengths of the drawing in mm, and where the knees point: `rearward` or `forward`, front and rear legs."""

    along: float = 200
    across: float = 100
    offset: float = 40
    upper: float = 90
    lower: float = 105
    foot_radius: float = 8
    length: float = 180
    width: float = 84
    height: float = 60
    belly: float = 40
    front_knee: str = "rearward"
    rear_knee: str = "rearward"

    @property
    def straight(self) -> float:
        """From the hip axis to the foot's centre with the knee straight."""
        return self.upper + self.lower

    @property
    def plane(self) -> float:
        """From the middle of the robot to the plane in which a leg's links move."""
        return self.across / 2 + self.offset

    @property
    def link_radius(self) -> float:
        """A tenth of the shorter link, in which it fits as a rule, if there is room for so much beside the body."""
        return floor(max(3.0, min(15.0, 0.1 * min(self.upper, self.lower), self.plane / 3)))

    @property
    def widest(self) -> float:
        """The widest body that the legs pass."""
        return floor(2 * (self.plane - max(self.link_radius, self.foot_radius) - CLEARANCE_MM))


@dataclass(frozen=True)
class Poses:
    """Heights of the hip axes at rest and standing, and how far out the feet are, all in mm."""

    resting: int
    standing: int
    out_along: int
    out_across: int


@dataclass(frozen=True)
class Electrics:
    """Servos, supply, and what carries the bytes: `simulated`, `i2c` with the number of a bus, `serial` with a port."""

    kind: ReadyKind
    voltage_v: float
    current_a: float
    board: str
    bus: int = 1
    port: str = ""


class _Talk:
    """Questions that are asked again until the answer makes sense."""

    def __init__(self, ask: Ask, say: Say) -> None:
        self._ask = ask
        self.say = say

    def text(self, question: str, default: str, fault: Callable[[str], str]) -> str:
        """An answer with which `fault` finds none."""
        while wrong := fault(answer := self._ask(f"{question} [{default}]: ").strip() or default):
            self.say(f"  {wrong}")
        return answer

    def number(self, question: str, unit: str, default: float, low: float, high: float, most: str = "") -> float:
        """A number from `low` to `high`; `most` says why no more."""
        default = min(max(default, low), high)
        asked = question if unit == "number" else f"{question}, {unit}"

        def fault(answer: str) -> str:
            value = number_from(answer, unit)
            valid = f"{low:g} to {high:g}{'' if unit == 'number' else ' ' + unit}"
            if value is None:
                return f"'{answer}' is not understood: {valid}, as {default:g} would be"
            if value > high and most:
                return f"{value:g} is too much: {most}; {valid} would be right"
            return "" if low <= value <= high else f"{value:g} makes no sense here: {valid} would be right"

        answer = self.text(f"{asked} ({low:g} to {high:g})", f"{default:g}", fault)
        value = number_from(answer, unit)
        assert value is not None
        return value

    def choice(self, question: str, choices: list[str], default: int = 1) -> int:
        """The place of the chosen one, from 0."""
        self.say(f"{question}:")
        for number, words in enumerate(choices, 1):
            self.say(f"  {number}  {words}")

        def fault(answer: str) -> str:
            good = answer.isdecimal() and 1 <= int(answer) <= len(choices)
            return "" if good else f"'{answer}' is none of them: a number from 1 to {len(choices)} would be right"

        return int(self.text("Number", f"{default}", fault)) - 1


def describe(path: Path, ask: Ask, say: Say) -> RobotModel:
    """Asks for a robot's figures, writes its file to `path`, which must not be there yet, and gives the robot.

    Raises OutputPathError where nothing can be written there, and whatever `ask` raises; then nothing is written.
    """
    _refuse(path)
    talk = _Talk(ask, say)
    say(WELCOME.format(path=path))
    name, mass_g = _name_from(path), 1500.0
    measures: Measures | None = None
    electrics: Electrics | None = None
    sure = "n"
    while sure == "n":
        name = talk.text("Name of the robot", name, _name_fault)
        measures = _ask_measures(talk, measures)
        while isinstance(poses := find_poses(measures), str):
            say(f"\nWith these lengths it does not work: {poses}.\nOnce more; Enter keeps what you gave.\n")
            measures = _ask_measures(talk, measures)
        mass_g = talk.number("What the whole robot weighs", "g", mass_g, 100, 20000)
        electrics = _ask_electrics(talk, electrics)
        say(_summary(name, measures, mass_g, electrics))
        sure = talk.text("Write it? y; or n: all questions once more, Enter keeps what you gave", "y", _sure_fault)
    assert measures
    assert electrics
    assert isinstance(poses, Poses)
    robot = _write(path, robot_file(name, measures, poses, mass_g, electrics), say)
    say(f"\nWritten to {path}. {robot.name} stands {poses.standing} mm and rests {poses.resting} mm high (hip axes).")
    return robot


def say_next_steps(path: Path, robot: RobotModel, say: Say) -> None:
    """What to do with the file."""
    simulated = robot.board.simulated
    checked = "again, after each change" if simulated else "--hardware, once all is wired: what this computer finds"
    steps = [
        "Read the file: its comments say which figures are usual ones, for you to put right.",
        f"quadleg check {path} {checked}",
        f"quadleg calibrate {path}: until then nobody knows the servos' angles, and `run` on a real board refuses them",
        f"quadleg run {path}",
    ]
    say("\nNext:")
    for number, step in enumerate(steps, 1):
        say(f"  {number}. {step}")


# The questions


def _name_from(path: Path) -> str:
    name = re.sub(r"[^A-Za-z0-9 _-]", "_", path.stem)[:50]
    return name if not _name_fault(name) else f"robot_{name}"


def _name_fault(name: str) -> str:
    good = re.fullmatch("[A-Za-z][A-Za-z0-9 _-]{0,63}", name)
    return "" if good else f"'{name}' will not do: up to 64 of A to Z, digits, spaces, - and _, and a letter first"


def _ask_measures(talk: _Talk, given: Measures | None = None) -> Measures:
    """The lengths one after the other, each with bounds and a usual length that follow from those before it.

    Those that were `given` before take the place of the usual ones.
    """
    so_far = given or Measures()

    def length(key: str, question: str, low: float, high: float, most: str = "", default: float | None = None) -> None:
        nonlocal so_far
        usual = default if default and not given else getattr(so_far, key)
        changed: dict[str, Any] = {key: talk.number(question, "mm", usual, low, high, most)}
        so_far = replace(so_far, **changed)

    talk.say(FROM_ABOVE)
    length("along", "A  front hip axis to rear hip axis", 40, 1000)
    length("across", "B  left abduction axis to right abduction axis", 20, 600)
    length("offset", "C  abduction axis out to the plane of the leg", 5, 200)
    talk.say(FROM_THE_SIDE)
    length("upper", "D  upper leg, hip axis to knee axis", 20, 500)
    length("lower", "E  lower leg, knee axis to centre of the foot sphere", 20, 500)
    thickest = floor(min(50, so_far.plane / 3, so_far.straight / 5))
    length(
        "foot_radius", "F  radius of the foot", 2, thickest, "such a foot has no room beside the body or below the leg"
    )
    length("length", "G  length of the body's box, without legs", 20, 1500, default=floor(0.9 * so_far.along))
    away = f"the legs move {so_far.plane:g} mm from the middle, and would touch a wider body"
    length("width", "H  its width", 10, so_far.widest, away, default=floor(0.84 * so_far.across))
    length("height", "J  its height", 10, 1000, default=floor(0.35 * so_far.straight))
    deepest = floor(so_far.foot_radius + STANDING_SHARE * so_far.straight)
    reach = f"the straight leg ends {so_far.straight + so_far.foot_radius:g} mm below the hip axis, and must still bend"
    if so_far.height + OVER_THE_TOP < deepest:
        deepest = floor(so_far.height + OVER_THE_TOP)
        reach = f"the hip axes would be more than {OVER_THE_TOP} mm above the top of the body (J)"
    length("belly", "K  from the hip axes down to the belly", 1, deepest, reach, default=floor(0.26 * so_far.straight))

    ways = [("rearward", "rearward"), ("forward", "forward"), ("forward", "rearward"), ("rearward", "forward")]
    words = [
        "all rearward",
        "all forward",
        "front ones forward, rear ones rearward",
        "front ones rearward, rear ones forward",
    ]
    before = ways.index((so_far.front_knee, so_far.rear_knee)) + 1
    front, rear = ways[talk.choice("Where the bent knees point", words, before)]
    return replace(so_far, front_knee=front, rear_knee=rear)


def _ask_electrics(talk: _Talk, given: Electrics | None) -> Electrics:
    """Servos, supply and board; what was `given` before takes the place of what is usual."""
    words = [kind.words for kind in READY_KINDS]
    before = 2
    if given:
        before = READY_KINDS.index(given.kind) + 1 if given.kind in READY_KINDS else len(READY_KINDS) + 1
    question = "The servos; the nearest will do, its figures can be changed in the file"
    chosen = talk.choice(question, [*words, "by their own figures: torque and speed from the data sheet"], before)
    kind = READY_KINDS[chosen] if chosen < len(READY_KINDS) else _ask_servo(talk, given.kind if given else None)
    low, high = kind.voltages_v
    burns = "servos of this kind would burn"
    voltage = talk.number(
        "Voltage at the servos", "V", given.voltage_v if given else kind.at_voltage_v, low, high, burns
    )
    half = ceil(len(JOINT_NAMES) * kind.stall_current_a / 2)
    current = talk.number(
        "Current that the supply gives without end", "A", given.current_a if given else half, 0.5, 200
    )
    ways = [
        "nothing yet: a simulated board",
        "the I2C bus of this computer",
        "a microcontroller on a serial port, with Firmata firmware",
    ]
    boards = ("simulated", "i2c", "serial")
    before = boards.index(given.board) + 1 if given else 1
    board = boards[talk.choice("What carries the bytes to the PWM board", ways, before)]
    electrics = Electrics(kind, voltage, current, board)
    if board == "i2c":
        bus = f"{given.bus if given else electrics.bus}"
        return replace(electrics, bus=int(talk.text("Number of the bus, as 1 in /dev/i2c-1", bus, _bus_fault)))
    if board == "serial":
        port = given.port if given and given.port else "/dev/ttyACM0"
        return replace(electrics, port=talk.text("Serial port", port, _port_fault))
    return electrics


def _ask_servo(talk: _Talk, given: ReadyKind | None) -> ReadyKind:
    """The figures of a data sheet, in the units that data sheets have."""
    usual = given if given and given.key == OWN else READY_KINDS[1]
    talk.say(
        'Torques are in kg-cm, but "0.98 N-m" or "136 oz-in" does too; speeds in seconds for 60 degrees, or "62 rpm".'
    )
    torque = talk.number("Stall torque of a servo", "kg-cm", usual.stall_torque_kg_cm, 0.3, 200)
    seconds = talk.number("Its time for 60 degrees without load", "s/60deg", usual.seconds_per_60_deg, 0.02, 1)
    volts = talk.number("The voltage of these two figures", "V", usual.at_voltage_v, 3, 30)
    stall = usual_stall_current(torque, seconds, volts)
    default = usual.stall_current_a if usual is given else stall
    current = talk.number("Its stall current; where the data sheet has none, a usual one", "A", default, 0.1, 60)
    return own_kind(torque, seconds, volts, current)


def _summary(name: str, measures: Measures, mass_g: float, electrics: Electrics) -> str:
    """What was answered, in a few lines."""
    m = measures
    knees = m.front_knee if m.front_knee == m.rear_knee else f"front {m.front_knee}, rear {m.rear_knee}"
    board = {
        "simulated": "a simulated board",
        "i2c": f"/dev/i2c-{electrics.bus}",
        "serial": f"the port {electrics.port}",
    }[electrics.board]
    return f"""
{name}: {mass_g:g} g
  axes  A {m.along:g}  B {m.across:g}  C {m.offset:g} mm
  leg   D {m.upper:g}  E {m.lower:g}  F {m.foot_radius:g} mm; knees point {knees}
  body  G {m.length:g}  H {m.width:g}  J {m.height:g}  K {m.belly:g} mm
  {electrics.kind.words}: {electrics.kind.figures}
  {electrics.voltage_v:g} V, {electrics.current_a:g} A; {board}
"""


def _sure_fault(answer: str) -> str:
    return "" if answer in ("y", "n") else f"'{answer}' is neither y nor n"


def _bus_fault(answer: str) -> str:
    good = answer.isdecimal() and int(answer) <= 255
    return "" if good else f"'{answer}' is no bus: 0 to 255 would be right"


def _port_fault(answer: str) -> str:
    good = answer.isprintable() and " " not in answer
    return "" if good else f"'{answer}' is no port: a name without spaces, as /dev/ttyACM0, would be right"


# The poses


def find_poses(measures: Measures) -> Poses | str:
    """Poses that the legs reach with the clearance, at rest and standing and at each height between; or why none.

    At rest the belly is as near to the ground as the folded legs let it; standing, the knees are well bent.
    """
    robot = _of_measures(measures)
    wanted = measures.foot_radius + STANDING_SHARE * measures.straight
    rise = RISE_SHARE * measures.straight
    wanted = max(wanted, measures.belly + rise)
    step = ceil(measures.straight / 150)
    # The belly as whoever reads the file finds it, to the last bit.
    belly = measures.height / 2 - _centre_mm(measures)
    heights = np.arange(ceil(belly), ceil(measures.straight + measures.foot_radius), step)
    aside = ceil(measures.straight / 20)
    clearance = Clearance(robot)
    # Feet below the hips are the best place sideways: no torque on the abduction.
    for across in range(0, 10 * aside, 3 * aside):
        found = []
        for along in range(-8 * aside, 9 * aside, aside):
            good = heights[_good(robot, clearance, heights, along, across)]
            if pair := _of_heights(good, step, wanted, rise):
                resting, standing = pair
                odd = resting - measures.belly + abs(standing - wanted) + abs(along) / 3
                found.append((odd, Poses(resting, standing, along, across)))
        if found:
            return min(found, key=lambda one: one[0])[1]
    return _why_none(robot, Stance(wanted / 1000, _feet(robot.legs[0], 0.0, 0.0)))


def _of_heights(good: NDArray[np.int_], step: int, wanted: float, rise: float) -> tuple[int, int] | None:
    """Of heights in mm that would do: the lowest and the one nearest to `wanted` of a run without gaps around that."""
    if not len(good):
        return None
    breaks = np.flatnonzero(np.diff(good) > step) + 1
    run = min(np.split(good, breaks), key=lambda run: np.abs(run - wanted).min())
    standing = run[(run >= run[0] + rise) & (run <= run[-1] - rise)]
    if not len(standing):
        return None
    return int(run[0]), int(standing[np.abs(standing - wanted).argmin()])


def _good(
    robot: RobotModel, clearance: Clearance, heights: NDArray[np.int_], along: float, across: float
) -> NDArray[np.bool_]:
    """(n,) whether the legs reach the ground with the clearance at heights (n,) and places of the feet, all in mm.

    Nothing else may be in the ground.
    """
    good = np.ones(len(heights), dtype=bool)
    angles = np.empty((len(heights), len(JOINT_NAMES)))
    for number, (leg, foot) in enumerate(zip(robot.legs, _feet(robot.legs[0], along, across))):
        points = np.tile(foot, (len(heights), 1))
        points[:, 2] -= heights / 1000
        angles[:, 3 * number : 3 * number + 3], reachable = inverse_batch(leg, points)
        good &= reachable
    good[good] = clearance.least_batch(angles[good]) >= robot.clearance
    good[good] = GroundClearance(robot).least_batch(angles[good], heights[good] / 1000) >= -ROUNDING
    return good


def _feet(leg: Leg, along: float, across: float) -> tuple[Vector, Vector, Vector, Vector]:
    """The centres of the feet on the ground in base_footprint, from the front left leg."""
    x, y, z = leg.hip[0] + along / 1000, leg.hip[1] + leg.hip_offset + across / 1000, leg.foot_radius
    return (x, y, z), (x, -y, z), (-x, y, z), (-x, -y, z)


def _why_none(robot: RobotModel, usual: Stance) -> str:
    room = "between folded and straight legs (D and E) there is too little room to stand up from the belly (K)"
    try:
        gap = Clearance(robot).least(stance_angles(robot, usual))
    except Unreachable:
        return room
    if gap.distance >= robot.clearance:
        return room
    parts = " and ".join(part.replace("_", " ") for part in gap.parts)
    return (
        f"{parts} would touch, standing {1000 * usual.height:.0f} mm high; A keeps front and rear legs apart, D and E "
        "are their lengths"
    )


def _of_measures(measures: Measures) -> RobotModel:
    """A robot of these measures; all else is the demo robot's."""
    demo = load_robot(find_robot(DEFAULT_ROBOT))
    legs = []
    for leg in demo.legs:
        front = leg.name.startswith("front")
        x, y = 1 if front else -1, 1 if leg.name.endswith("left") else -1
        knee = measures.front_knee if front else measures.rear_knee
        limits = _limits_deg(knee)
        joints = [
            replace(joint, lower=radians(low), upper=radians(high)) for joint, (low, high) in zip(leg.joints, limits)
        ]
        if y < 0:
            low, high = limits[0]
            joints[0] = replace(joints[0], lower=radians(-high), upper=radians(-low))
        legs.append(
            replace(
                leg,
                hip=(x * measures.along / 2000, y * measures.across / 2000, 0.0),
                hip_offset=y * measures.offset / 1000,
                upper_length=measures.upper / 1000,
                lower_length=measures.lower / 1000,
                foot_radius=measures.foot_radius / 1000,
                link_radius=measures.link_radius / 1000,
                knee_sign=-1 if knee == "rearward" else 1,
                joints=(joints[0], joints[1], joints[2]),
            )
        )
    size = (measures.length / 1000, measures.width / 1000, measures.height / 1000)
    body = BodyBox(size, (0.0, 0.0, _centre_mm(measures) / 1000))
    return replace(demo, body=body, legs=(legs[0], legs[1], legs[2], legs[3]), clearance=CLEARANCE_MM / 1000)


def _limits_deg(knee: str) -> tuple[tuple[int, int], tuple[int, int], tuple[int, int]]:
    """Limits of abduction (as on the left), hip and knee: 180° servos have some degrees left at each end."""
    if knee == "rearward":
        return (-30, 45), (-40, 130), (-160, -5)
    return (-30, 45), (-130, 40), (5, 160)


def _centre_mm(measures: Measures) -> float:
    """How high the middle of the body's box is over the hip axes."""
    return round(measures.height / 2 - measures.belly, 2)


# The file


def _part(path: Path) -> Path:
    """Where the file is written before it gets its name."""
    return path.with_name(f".{path.name}.part")


def _refuse(path: Path) -> None:
    if os.path.lexists(path):
        raise OutputPathError(f"{path} is there already and stays as it is: name a new file, or remove that one first")
    if not path.parent.is_dir():
        raise OutputPathError(f"{path} cannot be written: there is no folder {path.parent}; make it first")
    try:
        _part(path).touch()
        _part(path).unlink()
    except OSError as error:
        raise OutputPathError(
            f"{path} cannot be written, {error.strerror}: name a file in a folder of yours"
        ) from error


def _write(path: Path, text: str, say: Say) -> RobotModel:
    """Writes the file whole or not at all; what cannot be written is shown, so that no answer is lost."""
    part = _part(path)
    try:
        _refuse(path)
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        robot = load_robot(part)
        part.replace(path)
    except (OSError, OutputPathError) as error:
        say(f"\nThis was to be written:\n\n{text}")
        if isinstance(error, OutputPathError):
            raise
        raise OutputPathError(f"{path} cannot be written, {error.strerror}: put the text above there") from error
    finally:
        with suppress(OSError):
            part.unlink()
    return replace(robot, path=path)


def robot_file(name: str, measures: Measures, poses: Poses, mass_g: float, electrics: Electrics) -> str:
    """The text of the robot file, with its comments."""
    m, kind = measures, electrics.kind
    hangs = poses.resting - m.belly
    lying = "here just what the belly needs" if hangs <= 1 else f"folded legs hold the belly {hangs:g} mm over it"
    return _aligned(f"""\
# A robot file of quadleg, begun by `quadleg new`: what it was told, and what follows from that or is usual.
# Put right what you know better; `quadleg check` says what comes of it.
# Lengths are in mm, angles in degrees, masses in g, pulses in µs.
#
# Directions: x forward, y left, z up. The origin is the centre of the four hip axes, halfway between the front and
# rear ones and between the left and right ones. Angles follow the right-hand rule; with all angles zero every leg
# hangs straight down.

name: {json.dumps(name)}

body:  # the box that just holds the body, without the legs
  length_mm: {m.length:g}  # front to rear
  width_mm: {m.width:g}  # left to right; the hip joints swing outside of it
  height_mm: {m.height:g}  # belly to top
  centre_mm: [0, 0, {_centre_mm(m):g}]  # the middle of that box, seen from the origin: assumed midway between the legs

hip_axes:  # the axes of abduction, about which a whole leg swings outward; they lie along x
  apart_along_mm: {m.along:g}  # from where the front legs swing fore and aft (their hip axis) to where the rear ones do
  apart_across_mm: {m.across:g}  # from the left abduction axis to the right one

leg:  # all four legs are alike
  hip_offset_mm: {m.offset:g}  # from the abduction axis outward to the plane in which the leg's two links move
  upper_leg_mm: {m.upper:g}  # from the hip axis to the knee axis
  lower_leg_mm: {m.lower:g}  # from the knee axis to the centre of the foot sphere, not to the ground
  foot_radius_mm: {m.foot_radius:g}  # of the foot sphere
  link_radius_mm: {m.link_radius:g}  # assumed: of the thinnest tube that holds a link, servo horns and screws included

knee_points:  # to which side the bent knee sticks out: rearward or forward
  front: {m.front_knee}
  rear: {m.rear_knee}

mass:  # of the total alone a split is assumed; the four parts may be added, then all four of them
  total_g: {mass_g:g}  # the whole robot on the scale
  # body_g: {0.4 * mass_g:.0f}  # with all that is fixed to it: computer, board, battery, sensors
  # abductor_g: {0.045 * mass_g:.0f}  # one, with the servo that rides on it
  # upper_leg_g: {0.07 * mass_g:.0f}  # one, with the servo that rides on it
  # lower_leg_g: {0.035 * mass_g:.0f}  # one, with its foot

# [lower, upper]: how far each joint may turn before something touches or a cable pulls. These are usual ones, for
# servos that turn 180 degrees: move each joint by hand and see.
joint_limits_deg:
  front:
{_limits_text(m.front_knee)}
  rear:
{_limits_text(m.rear_knee)}

servo_kinds:  # {_figures_from(kind)}
  {kind.key}:  # {kind.words}
    stall_torque_kg_cm: {kind.stall_torque_kg_cm:g}
    seconds_per_60_deg: {kind.seconds_per_60_deg:g}  # without load
    at_voltage_v: {kind.at_voltage_v:.1f}  # the voltage of the two figures above
    pulse_range_us: [{kind.pulse_range_us[0]}, {kind.pulse_range_us[1]}]  # shortest and longest pulse that it takes
    turn_deg: 180  # how far it turns over these pulses; some are made for 270
    deadband_us: {kind.deadband_us:g}  # a change of pulse up to this is ignored
    idle_current_a: {kind.idle_current_a:g}  # powered, at rest
    stall_current_a: {kind.stall_current_a:g}
    # holds_without_pulses: true  # where it stays stiff when the pulses stop, as some digital ones do

# Each servo: the board's output it is plugged into (0 to 15). None is calibrated yet: `quadleg calibrate` finds the
# pulse at joint angle zero, the change of pulse for one degree and the stops of each, and writes them here.
servos:
{_servos_text(kind)}

board:
{_board_text(electrics)}

supply:  # what feeds the servos
  voltage_v: {electrics.voltage_v:g}  # at the servos
  rated_current_a: {electrics.current_a:g}  # what it gives without end
  # low_v: {0.85 * electrics.voltage_v:.2g}  # measured below this, the robot lies down; this where left out
  # fuse_a: 15  # the fuse between the supply and the servos
  # wire_mm2: 2.5  # copper of the thinnest wire that carries the current of all servos
  # wire_m: 1  # its length from the supply to the servos, one way
  # battery_ah: 5  # where a battery feeds the servos
  # sensor:  # what measures it, on the I2C bus of the board
  #   kind: ina226
  #   address: 0x41  # another than the board's
  #   shunt_mohm: 0.4  # the resistor through which the current of all servos goes

control:
  rate_hz: {_rate_text(electrics)}

stance:  # how the robot stands; the feet lie symmetrically about the middle
  standing_height_mm: {poses.standing}  # from the ground up to the hip axes; chosen so that the knees are well bent
  feet_out_along_mm: {poses.out_along}  # each foot from below its hip joint, away from the middle{_why(poses)}
  feet_out_across_mm: {poses.out_across}  # the same, sideways
  # tip_angle_deg: 45  # tipped further, by its IMU, pulses go off; this where left out

resting:  # belly down, legs folded: where the robot wakes up and lies down
  height_mm: {poses.resting}  # from the ground up to the hip axes: {lying}
  # feet_out_along_mm: {poses.out_along}  # as in stance where left out; so is feet_out_across_mm

clearance_mm: {CLEARANCE_MM}  # the least distance between two legs, and between a leg and the body

# gaits:  # ways to walk, worked out from leg, standing height and servos; a key that you write here counts instead
{_gaits_text(m, poses, electrics)}

# imu:  # an inertial sensor on the I2C bus of the board; frames.imu_link says where
#   kind: mpu6050
#   address: 0x68

# frames:  # sensors and the like, fixed to the body
#   imu_link:
#     xyz_mm: [0, 0, 10]  # from the origin
#     rpy_deg: [0, 0, 0]  # roll, pitch and yaw of its axes against the body's
#     mass_g: 10  # part of the body's mass
""")


def _gaits_text(measures: Measures, poses: Poses, electrics: Electrics) -> str:
    """The gaits that the robot has without a section of its own, as comments."""
    kind = electrics.kind
    speed = radians(60) / kind.seconds_per_60_deg * electrics.voltage_v / kind.at_voltage_v
    lines = []
    for gait in derived_gaits(measures.straight / 1000, poses.standing / 1000, speed):
        lines += [
            f"#   {gait.name}:",
            f"#     duty_factor: {gait.duty_factor:g}  # the share of a stride that a foot is on the ground",
            f"#     stride_period_s: {gait.stride_period:g}",
            f"#     foot_clearance_mm: {1000 * gait.foot_clearance:.3g}  # how high a foot is lifted",
        ]
        if gait.margin is not None:
            margin = f"{1000 * gait.margin:.3g}"
            lines.append(f"#     margin_mm: {margin}  # what the body's sway keeps until the robot would tip over")
    return "\n".join(lines)


def _figures_from(kind: ReadyKind) -> str:
    if kind.key == OWN:
        return (
            "torque, speed and stall current as they were given, the rest usual ones: put in those of your data sheet"
        )
    return "typical figures of a class of servos: put in those of your data sheet"


def _why(poses: Poses) -> str:
    return "; so, legs fold at rest without touching" if poses.out_along else ""


def _aligned(text: str) -> str:
    """The comments behind keys, each marked by two spaces, one below the other in each paragraph."""
    return "\n\n".join(map(_aligned_paragraph, text.split("\n\n")))


def _aligned_paragraph(text: str) -> str:
    lines = [re.findall(r"(.*\S)  # (.*)", line) for line in text.split("\n")]
    widest = max([25, *(len(key) for found in lines for key, _ in found)])
    return "\n".join(
        f"{found[0][0]:<{widest}} # {found[0][1]}" if found else line for found, line in zip(lines, text.split("\n"))
    )


def _limits_text(knee: str) -> str:
    abduction, hip, bend = (f"[{low}, {high}]" for low, high in _limits_deg(knee))
    side = "negative, since the knee points rearward" if knee == "rearward" else "positive, since it points forward"
    return f"""\
    abduction: {abduction}  # as on the left side, positive outward; quadleg mirrors it for the right
    hip: {hip}  # upper leg from straight down: positive rearward, negative forward
    knee: {bend}  # lower leg from straight on: {side}"""


def _servos_text(kind: ReadyKind) -> str:
    widest = max(map(len, JOINT_NAMES)) + 1
    return "\n".join(
        f"  {name + ':':<{widest}} {{kind: {kind.key}, channel: {channel:>2}}}"
        for channel, name in enumerate(JOINT_NAMES)
    )


def _board_text(electrics: Electrics) -> str:
    kind = {
        "simulated": "  kind: simulated  # what carries the bytes to the PWM board: once there is one, i2c or serial",
        "i2c": f"""\
  kind: i2c  # what carries the bytes to the PWM board: an I2C bus of this computer
  i2c_bus: {electrics.bus}  # its number, as in /dev/i2c-{electrics.bus}""",
        "serial": f"""\
  kind: serial  # what carries the bytes to the PWM board: a microcontroller with Firmata firmware
  port: {json.dumps(electrics.port)}  # where it is plugged in
  baud: 57600  # bits a second, as its firmware has it""",
    }[electrics.board]
    return f"""\
{kind}
  address: 0x40  # on the I2C bus, as such boards are sold
  frequency_hz: 50  # pulses a second; hobby servos take 50, many digital ones more
  clock_mhz: 25  # the board's oscillator
  bus_khz: 100  # speed of the I2C bus: what most computers and microcontrollers begin with"""


def _rate_text(electrics: Electrics) -> str:
    if electrics.board == "serial":
        return "25  # frames of joint angles a second: what a serial link at 57600 baud can carry"
    return "50  # frames of joint angles a second"
