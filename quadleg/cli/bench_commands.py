"""Commands for the bench: new, check, calibrate, trim."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quadleg.cautions import BEFORE_MOVING, BEFORE_TRIMMING
from quadleg.cli.arguments import (
    Command,
    find_running,
    say,
    seed,
    takes_board,
    takes_namespace,
    takes_robot,
    teeth,
    warn,
)
from quadleg.cli.output_folder import names_in, own_folder, replaced
from quadleg.errors import OutputPathError, Refused
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot

if TYPE_CHECKING:
    from quadleg.commissioning.feasibility.check import Check


def _new(options: argparse.Namespace) -> int:
    from quadleg.commissioning.dialog import Ended
    from quadleg.commissioning.feasibility.check import check
    from quadleg.commissioning.feasibility.check_table import print_check
    from quadleg.commissioning.wizard.robot_wizard import describe, say_next_steps

    if find_spec("readline"):  # with it, `input` lets an answer be edited
        import readline  # noqa: F401

    try:
        robot = describe(options.file, input, say)
    except (KeyboardInterrupt, Ended):
        say("")
        warn("interrupted: nothing is written")
        return 130
    except EOFError:
        say("")
        warn("nothing is written: a question was not answered")
        return 1
    say("\nWhat `quadleg check` says of it:")
    print_check(check(robot))
    say_next_steps(options.file, robot, say)
    return 0


def _check(options: argparse.Namespace) -> int:
    from quadleg.commissioning.feasibility.check import as_json, check
    from quadleg.commissioning.feasibility.check_table import print_check
    from quadleg.commissioning.hardware_scan import findings, print_findings

    robot = load_robot(find_robot(options.robot))
    if options.hardware:
        found = findings(robot)
        print_findings(found)
        return 1 if any(finding.fine is False for finding in found) else 0
    checked = check(robot)
    if options.json:
        say(as_json(checked))
    else:
        print_check(checked)
    if options.pictures or not options.json:
        _draw_check(checked, options.pictures, warn if options.json else say)
    return 1 if checked.failing else 0


def _draw_check(checked: Check, named: Path | None, say: Callable[[str], None]) -> None:
    """Draw into a folder that the person names, or into a new one."""
    try:
        from quadleg.commissioning.feasibility.check_plots import check_pictures

        folder = named or own_folder(Path(f"{checked.robot.name}_check"))
        before = names_in(folder)
        made = check_pictures(checked, folder)
    except ImportError:
        say("No pictures: they need matplotlib, from `pip install matplotlib` or `apt install python3-matplotlib`")
    except OutputPathError as error:
        say(f"No pictures: {error}")
    except OSError as error:
        say(f"No pictures: {error.filename or folder} cannot be written ({error.strerror})")
    else:
        say(f"Pictures in {folder.resolve()}: {', '.join(path.name for path in made)}")
        if words := replaced(made, before):
            say(words)


def _calibrate(options: argparse.Namespace) -> int:
    from quadleg.commissioning.calibration import session
    from quadleg.commissioning.calibration.angle_card import save_card
    from quadleg.commissioning.calibration.servo_calibration import joints_of, split_words

    if options.card:
        save_card(options.card)
        say(f"{options.card}: print it at 100 %, and check its ruler of 100 mm before you use it")
        return 0
    robot, names = split_words(options.words)
    path = find_robot(robot or DEFAULT_ROBOT)
    whole = [option for option in ("imu", "walk") if getattr(options, option)]
    if whole and (names or options.fit_horns or len(whole) > 1):
        raise Refused(f"--{whole[0]} is of the whole robot, alone: leave out the names of joints and other options")
    if options.walk:
        return _walk_tape(path, options)
    if options.imu:
        quick = options.answers is not None
        return _at_the_bench(
            session.ImuSession(path, board=options.board, seed=options.seed, quick=quick), options.answers
        )
    work = session.BenchSession(
        path=path,
        names=joints_of(names),
        fit_horns=options.fit_horns,
        teeth=options.teeth,
        board=options.board,
        seed=options.seed,
        quick=options.answers is not None,
    )
    return _at_the_bench(work, options.answers)


def _walk_tape(path: Path, options: argparse.Namespace) -> int:
    from quadleg.client.tape_driver import TapeDriver
    from quadleg.commissioning.calibration.session import TapeSession

    with find_running(options.namespace) as robot:
        return _at_the_bench(TapeSession(path, walker=TapeDriver(robot, path)), options.answers)


def _trim(options: argparse.Namespace) -> int:
    from quadleg.commissioning.calibration.trim import Trim

    work = Trim(find_robot(options.robot), board=options.board, seed=options.seed, quick=options.answers is not None)
    return _at_the_bench(work, options.answers)


def _at_the_bench(work: Any, answers: Path | None) -> int:
    from quadleg.commissioning.calibration import session

    try:
        done = session.by_file(work, answers) if answers else session.on_screen(work)
    except KeyboardInterrupt:
        warn(f"interrupted: {work.interrupted}")
        return 130
    finally:
        for sentence in work.said:
            say(sentence)
    return 0 if done else 1


def add(command: Command) -> None:
    _new_command(command)
    _check_command(command)
    _calibrate_commands(command)


def _new_command(command: Command) -> None:
    new = command(
        "new",
        _new,
        "describe a new robot by questions and write its robot file",
        "Asks for what a ruler, a scale and the labels of servos and supply tell, with a drawing of each length. Never "
        f"overwrites a file. {BEFORE_MOVING}",
    )
    new.add_argument("file", type=Path, metavar="FILE", help="the robot file to write, as my_robot.yaml")


def _check_command(command: Command) -> None:
    judge = command(
        "check",
        _check,
        "judge on paper whether a robot is possible",
        "Reach, torque, current, resolution, bus and heat, each with a verdict (good, tight, will not work), why, and "
        "what to change; and which supply to buy. Moves nothing and needs no ROS. The exit code is 1 where something "
        "will not work.",
    )
    takes_robot(judge)
    judge.add_argument(
        "--hardware",
        action="store_true",
        help="look instead for boards, sensors and gamepads, with the cure of each trouble; writes nothing to them",
    )
    judge.add_argument("--json", action="store_true", help="print one JSON object instead of tables, and no pictures")
    judge.add_argument(
        "--pictures",
        type=Path,
        metavar="DIR",
        help="folder for the pictures (default: a new one, <robot>_check; with --json none are made without this)",
    )


def _calibrate_commands(command: Command) -> None:
    calibrate = command(
        "calibrate",
        _calibrate,
        "find out which pulse turns each servo to which angle",
        "One servo at a time, on a stand, with all keys on the screen. Each joint is saved into the robot file when it "
        "is done; every earlier version of the file is kept in the folder FILE.versions beside it, and a session that "
        "ended too soon is offered to go on. Moves slowly, but the first pulse of each "
        f"servo comes at full speed. Needs no ROS, but for --walk. {BEFORE_MOVING}",
    )
    calibrate.add_argument(
        "words",
        nargs="*",
        metavar="NAME",
        help="robot file (or the name of one that comes with quadleg), then joints or legs, as rear_left_knee; all "
        "twelve joints where none is named",
    )
    calibrate.add_argument(
        "--fit-horns", action="store_true", help="first of all: every servo to its middle, for its horn to go on"
    )
    calibrate.add_argument(
        "--imu",
        action="store_true",
        help="instead of servos: how the IMU sits in the body, at rest and tilted forward and left by hand, unpowered",
    )
    calibrate.add_argument(
        "--walk",
        action="store_true",
        help="instead of servos: how far it truly walks, by a tape that you read; the robot stands, with `quadleg run`",
    )
    takes_namespace(calibrate)
    calibrate.add_argument(
        "--teeth", type=teeth, default=25, metavar="N", help="of the servos' spline (default: %(default)s)"
    )
    calibrate.add_argument("--answers", type=Path, metavar="FILE", help="take the answers from a file, for scripts")
    calibrate.add_argument(
        "--card",
        type=Path,
        metavar="FILE",
        help="only write a card with angles as SVG into a new file, to print and hold to the joints",
    )
    takes_board(calibrate)
    calibrate.add_argument(
        "--seed", type=seed, default=0, help="where a simulated robot's horns went on, how its IMU sits"
    )
    trim = command(
        "trim",
        _trim,
        "nudge the joints of the standing robot and save their zeros",
        "On level ground: rises from the resting pose, sits down at the end and on Ctrl-C. Comes after `calibrate`, "
        f"with `quadleg run` ended. Needs no ROS. {BEFORE_TRIMMING}",
    )
    takes_robot(trim)
    trim.add_argument("--answers", type=Path, metavar="FILE", help="take the answers from a file, for scripts")
    takes_board(trim)
    trim.add_argument("--seed", type=seed, default=0, help="where a simulated robot's horns went on")
