"""`quadleg new`: a new robot file by questions at a terminal, of what a ruler and a scale tell."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import ceil, floor
from pathlib import Path
from typing import Any

from quadleg.commissioning.dialog import Ask, Choice, Dialog, LineAnswers, Number, Question, Say, ask, run_dialog
from quadleg.commissioning.wizard.new_robot_file import robot_file
from quadleg.commissioning.wizard.pose_search import STANDING_SHARE, find_poses
from quadleg.commissioning.wizard.robot_measures import Electrics, Measures, Poses
from quadleg.commissioning.wizard.servo_classes import OWN, READY_KINDS, ReadyKind, own_kind, usual_stall_current
from quadleg.errors import OutputPathError
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.robot_file.editor import check_new, write_new
from quadleg.servos.board_kinds import BOARD_KINDS

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

OVER_THE_TOP = 20  # mm that hip axes may be above the body's box


def describe(path: Path, ask: Ask, say: Say) -> RobotModel:
    """Asks for a robot's figures, writes its file to `path`, which must not be there yet, and gives the robot.

    Raises OutputPathError where nothing can be written there, Ended, and whatever `ask` raises; then nothing is
    written.
    """
    check_new(path)
    return run_dialog(_description(path, say), LineAnswers(ask, say))


def say_next_steps(path: Path, robot: RobotModel, say: Say) -> None:
    simulated = robot.board.simulated
    checked = "again, after each change" if simulated else "--hardware, once all is wired: what this computer finds"
    steps = [
        "Read the file: its comments say which figures are usual ones, for you to put right.",
        f"quadleg check {path} {checked}",
        f"quadleg calibrate {path}: without it the servos' angles are unknown, and `run` on a real board refuses them",
        f"quadleg run {path}",
    ]
    say("\nNext:")
    for number, step in enumerate(steps, 1):
        say(f"  {number}. {step}")


def _description(path: Path, say: Say) -> Dialog[RobotModel]:
    say(WELCOME.format(path=path))
    name, mass_g = _name_from(path), 1500.0
    measures: Measures | None = None
    electrics: Electrics | None = None
    sure = "n"
    while sure == "n":
        name = yield from _words("name", "Name of the robot", name, _name_fault)
        measures = yield from _ask_measures(say, measures)
        while isinstance(poses := find_poses(measures), str):
            say(f"\nWith these lengths it does not work: {poses}.\nOnce more; Enter keeps what you gave.\n")
            measures = yield from _ask_measures(say, measures)
        mass_g = yield from _number("mass", "What the whole robot weighs", mass_g, Number("g", 100, 20000))
        electrics = yield from _ask_electrics(say, electrics)
        say(_summary(name, measures, mass_g, electrics))
        question = "Write it? y; or n: all questions once more, Enter keeps what you gave"
        sure = yield from _words("sure", question, "y", _sure_fault)
    assert measures
    assert electrics
    assert isinstance(poses, Poses)
    robot = _write(path, robot_file(name, measures, poses, mass_g, electrics), say)
    say(f"\nWritten to {path}. {robot.name} stands {poses.standing} mm and rests {poses.resting} mm high (hip axes).")
    return robot


def _write(path: Path, text: str, say: Say) -> RobotModel:
    """What cannot be written is shown, so that no answer is lost."""
    try:
        return write_new(path, text)
    except OutputPathError:
        say(f"\nThis was to be written:\n\n{text}")
        raise


def _words(key: str, text: str, default: str, judge: Callable[[str], str]) -> Dialog[str]:
    """An answer with which `judge` finds no fault."""
    return (yield from ask(Question(key, text, judge=judge, default=default)))


def _number(key: str, text: str, usual: float, number: Number) -> Dialog[float]:
    default = f"{min(max(usual, number.low), number.high):g}"
    value = number.read((yield from ask(Question(key, text, number=number, default=default))))
    assert value is not None
    return value


def _choice(key: str, text: str, labels: Sequence[str], default: int = 1) -> Dialog[int]:
    """The place of the chosen one, from 0."""
    choices = tuple(Choice(f"{number}", f"{number}", label) for number, label in enumerate(labels, 1))
    return int((yield from ask(Question(key, text, choices, default=f"{default}")))) - 1


def _name_from(path: Path) -> str:
    name = re.sub(r"[^A-Za-z0-9 _-]", "_", path.stem)[:50]
    return name if not _name_fault(name) else f"robot_{name}"


def _name_fault(name: str) -> str:
    good = re.fullmatch("[A-Za-z][A-Za-z0-9 _-]{0,63}", name)
    return "" if good else f"'{name}' will not do: up to 64 of A to Z, digits, spaces, - and _, and a letter first"


def _ask_measures(say: Say, given: Measures | None) -> Dialog[Measures]:
    """The lengths one after the other, each with bounds and a usual length that follow from those before it.

    Those that were `given` before take the place of the usual ones.
    """
    so_far = given or Measures()

    def length(
        key: str, question: str, low: float, high: float, beyond: str = "", default: float | None = None
    ) -> Dialog[None]:
        nonlocal so_far
        usual = default if default and not given else getattr(so_far, key)
        value = yield from _number(key, question, usual, Number("mm", low, high, beyond))
        changed: dict[str, Any] = {key: value}
        so_far = replace(so_far, **changed)

    say(FROM_ABOVE)
    yield from length("along", "A  front hip axis to rear hip axis", 40, 1000)
    yield from length("across", "B  left abduction axis to right abduction axis", 20, 600)
    yield from length("offset", "C  abduction axis out to the plane of the leg", 5, 200)
    say(FROM_THE_SIDE)
    yield from length("upper", "D  upper leg, hip axis to knee axis", 20, 500)
    yield from length("lower", "E  lower leg, knee axis to centre of the foot sphere", 20, 500)
    thickest = floor(min(50, so_far.plane / 3, so_far.straight / 5))
    yield from length(
        "foot_radius", "F  radius of the foot", 2, thickest, "such a foot has no room beside the body or below the leg"
    )
    yield from length(
        "length", "G  length of the body's box, without legs", 20, 1500, default=floor(0.9 * so_far.along)
    )
    away = f"the legs move {so_far.plane:g} mm from the middle, and would touch a wider body"
    yield from length("width", "H  its width", 10, so_far.widest, away, default=floor(0.84 * so_far.across))
    yield from length("height", "J  its height", 10, 1000, default=floor(0.35 * so_far.straight))
    deepest = floor(so_far.foot_radius + STANDING_SHARE * so_far.straight)
    reach = f"the straight leg ends {so_far.straight + so_far.foot_radius:g} mm below the hip axis, and must still bend"
    if so_far.height + OVER_THE_TOP < deepest:
        deepest = floor(so_far.height + OVER_THE_TOP)
        reach = f"the hip axes would be more than {OVER_THE_TOP} mm above the top of the body (J)"
    yield from length(
        "belly", "K  from the hip axes down to the belly", 1, deepest, reach, default=floor(0.26 * so_far.straight)
    )

    ways = [("rearward", "rearward"), ("forward", "forward"), ("forward", "rearward"), ("rearward", "forward")]
    words = [
        "all rearward",
        "all forward",
        "front ones forward, rear ones rearward",
        "front ones rearward, rear ones forward",
    ]
    before = ways.index((so_far.front_knee, so_far.rear_knee)) + 1
    front, rear = ways[(yield from _choice("knees", "Where the bent knees point", words, before))]
    return replace(so_far, front_knee=front, rear_knee=rear)


def _ask_electrics(say: Say, given: Electrics | None) -> Dialog[Electrics]:
    """Servos, supply and board; what was `given` before takes the place of what is usual."""
    words = [kind.words for kind in READY_KINDS]
    before = 2
    if given:
        before = READY_KINDS.index(given.kind) + 1 if given.kind in READY_KINDS else len(READY_KINDS) + 1
    question = "The servos; the nearest will do, its figures can be changed in the file"
    words.append("by their own figures: torque and speed from the data sheet")
    chosen = yield from _choice("servos", question, words, before)
    if chosen < len(READY_KINDS):
        kind = READY_KINDS[chosen]
    else:
        kind = yield from _ask_servo(say, given.kind if given else None)
    volts = Number("V", *kind.voltages_v, "servos of this kind would burn")
    usual = given.voltage_v if given else kind.at_voltage_v
    voltage = yield from _number("voltage", "Voltage at the servos", usual, volts)
    half = ceil(len(JOINT_NAMES) * kind.stall_current_a / 2)
    usual = given.current_a if given else half
    current = yield from _number("current", "Current that the supply gives without end", usual, Number("A", 0.5, 200))
    kinds = list(BOARD_KINDS)
    before = kinds.index(given.board) + 1 if given else 1
    ways = [BOARD_KINDS[name].words for name in kinds]
    board = kinds[(yield from _choice("board", "How the computer reaches the PWM board", ways, before))]
    location = BOARD_KINDS[board].location
    if location is None:
        return Electrics(kind, voltage, current, board)
    usual_place = given.location if given and given.board == board else location.usual
    where = yield from _words(location.asked_as, location.question, usual_place, location.fault)
    return Electrics(kind, voltage, current, board, where)


def _ask_servo(say: Say, given: ReadyKind | None) -> Dialog[ReadyKind]:
    """The figures of a data sheet, in the units that data sheets have."""
    usual = given if given and given.key == OWN else READY_KINDS[1]
    say('Torques are in kg-cm, but "0.98 N-m" or "136 oz-in" does too; speeds in seconds for 60 degrees, or "62 rpm".')
    torque = yield from _number(
        "stall_torque", "Stall torque of a servo", usual.stall_torque_kg_cm, Number("kg-cm", 0.3, 200)
    )
    seconds = yield from _number(
        "speed", "Its time for 60 degrees without load", usual.seconds_per_60_deg, Number("s/60deg", 0.02, 1)
    )
    volts = yield from _number("at_voltage", "The voltage of these two figures", usual.at_voltage_v, Number("V", 3, 30))
    stall = usual.stall_current_a if usual is given else usual_stall_current(torque, seconds, volts)
    question = "Its stall current; where the data sheet has none, a usual one"
    current = yield from _number("stall_current", question, stall, Number("A", 0.1, 60))
    return own_kind(torque, seconds, volts, current)


def _summary(name: str, measures: Measures, mass_g: float, electrics: Electrics) -> str:
    """What was answered, in a few lines."""
    m = measures
    knees = m.front_knee if m.front_knee == m.rear_knee else f"front {m.front_knee}, rear {m.rear_knee}"
    board = BOARD_KINDS[electrics.board]
    place = board.location.place.format(electrics.location) if board.location else board.words
    return f"""
{name}: {mass_g:g} g
  axes  A {m.along:g}  B {m.across:g}  C {m.offset:g} mm
  leg   D {m.upper:g}  E {m.lower:g}  F {m.foot_radius:g} mm; knees point {knees}
  body  G {m.length:g}  H {m.width:g}  J {m.height:g}  K {m.belly:g} mm
  {electrics.kind.words}: {electrics.kind.figures}
  {electrics.voltage_v:g} V, {electrics.current_a:g} A; {place}
"""


def _sure_fault(answer: str) -> str:
    return "" if answer in ("y", "n") else f"'{answer}' is neither y nor n"
