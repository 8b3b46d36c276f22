"""Commands for a robot that runs: run, stand, pose, sit, stop, reset, status, demo, urdf."""

from __future__ import annotations

import argparse
import sys
import time
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from quadleg.cautions import BEFORE_MOVING, LEGS_PLACED, REAL_STOP
from quadleg.cli.arguments import (
    Command,
    find_running,
    height,
    number,
    params_file,
    rate,
    say,
    seed,
    takes_board,
    takes_legs_placed,
    takes_namespace,
    takes_robot,
    takes_spread,
    warn,
)
from quadleg.cli.output_folder import fresh, own_folder
from quadleg.cli.stop_command import stop
from quadleg.errors import InfeasibleRobot, OutputPathError, RecordMissing, SpreadError, Uncalibrated, ViewMissing
from quadleg.plotting.resting_pose import described, save_picture
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.simulation.spread_kinds import Spread

if TYPE_CHECKING:
    from quadleg.client import PoseResult

COUNTDOWN = 3  # s


def _run(options: argparse.Namespace) -> int:
    from quadleg.runtime.stack_runner import Runner, StackPlan

    robot = load_robot(find_robot(options.robot))
    if not robot.on_board(options.board).board.simulated:
        _need_sound(robot, options.despite_check)
    elif robot.uncalibrated:
        say(f"Not calibrated, which only the simulated board does without: {', '.join(robot.uncalibrated)}")
    plan = StackPlan(
        robot=robot,
        namespace=options.namespace,
        frame_prefix=options.frame_prefix,
        board=options.board,
        rate_hz=options.rate,
        seed=options.seed,
        separate=options.separate,
        beside=_beside(options),
        record=options.record,
        physics=options.physics,
        spread=_spread(options),
        memory=Path(options.board_memory) if options.board_memory else None,
        params_file=options.params_file,
    )
    if options.record:
        say(f"Every topic goes into {options.record}; `quadleg report {options.record}` shows it afterwards.")
    return Runner(plan, say).run()


def _spread(options: argparse.Namespace) -> str:
    """The spread that a simulated body is drawn from. Raises SpreadError for one without a body."""
    if options.spread and not options.physics:
        raise SpreadError("--spread is that of a simulated body: give --physics too")
    return options.spread or Spread.NONE.value


def _beside(options: argparse.Namespace) -> list[str]:
    """The optional processes that are wanted. Raises RecordMissing or ViewMissing where one is not installed."""
    from quadleg.runtime import node_table

    wanted = [node_table.PAD] * options.joystick + [node_table.MARKERS] * options.markers
    if options.view:
        if not find_spec("viser"):
            raise ViewMissing
        wanted.append(node_table.VIEWER)
    if options.no_recorder and not options.record:
        return wanted
    if find_spec("mcap"):
        wanted.append(node_table.RECORDER)
    elif options.record:
        raise RecordMissing
    if options.record:
        _need_writable(options.record)
    return wanted


def _need_writable(record: Path) -> None:
    """Raises OutputPathError where a recording cannot be made, by making its file and removing it."""
    try:
        record.touch(exist_ok=False)
        record.unlink()
    except FileExistsError:
        raise OutputPathError(f"{record} is there already and stays as it is: name a new file") from None
    except OSError as error:
        raise OutputPathError(
            f"nothing is started: {record} cannot be written ({error.strerror}): name a file in a folder that is "
            f"there and can be written"
        ) from None


def _need_sound(robot: RobotModel, despite_check: bool) -> None:
    """Nothing of this can hurt a simulated robot."""
    from quadleg.commissioning.feasibility.check import refusals

    if robot.uncalibrated:
        raise Uncalibrated(robot.path, robot.uncalibrated)
    if not despite_check and (reasons := refusals(robot)):
        raise InfeasibleRobot(robot.path, reasons)


def _stand(options: argparse.Namespace) -> int:
    from quadleg.client import SIMULATED

    with find_running(options.namespace) as robot:
        # A state that is not heard may be off.
        if robot.board_kind != SIMULATED and robot.status().state in ("off", None):
            picture = options.picture or fresh(Path(f"{robot.model.name}_resting.png"))
            if not _legs_placed(robot.model, picture, options.legs_placed):
                return 1
        _say_reached(robot.stand(height_mm=options.height))
    return 0


def _pose(options: argparse.Namespace) -> int:
    with find_running(options.namespace) as robot:
        result = robot.pose(
            height_mm=options.height,
            x_mm=options.x,
            y_mm=options.y,
            roll_deg=options.roll,
            pitch_deg=options.pitch,
            yaw_deg=options.yaw,
        )
    _say_reached(result)
    return 0


def _sit(options: argparse.Namespace) -> int:
    with find_running(options.namespace) as robot:
        robot.sit()
    say("sits; the servos are off")
    return 0


def _stop(options: argparse.Namespace) -> int:
    return stop(options.namespace)


def _reset(options: argparse.Namespace) -> int:
    with find_running(options.namespace) as robot:
        say(robot.reset())
    return 0


def _status(options: argparse.Namespace) -> int:
    from quadleg.client.status_sentences import status_in_words

    with find_running(options.namespace) as robot:
        now, asked = robot.status(), robot.asked()
        reached = robot.reached() if now.angles else None
    for heading, sentence in status_in_words(now, asked, reached):
        say(f"{heading:<9} {sentence}")
    return 0


def _demo(options: argparse.Namespace) -> int:
    from quadleg.demo.demo import demo

    model = load_robot(find_robot(options.robot))
    picture = options.picture or own_folder(Path("quadleg_demo")) / "demo.png"
    resting = picture.with_name(f"{model.name}_resting.png")

    def placed() -> bool:
        return _legs_placed(model, resting, options.legs_placed)

    return demo(model, picture, options.seed, placed, options.physics)


def _urdf(options: argparse.Namespace) -> int:
    from quadleg.robot.urdf import urdf

    say(urdf(load_robot(find_robot(options.robot))))
    return 0


def _legs_placed(robot: RobotModel, picture: Path, answered: bool) -> bool:
    """Describe the resting pose, ask whether the legs are there unless that is `answered`, and count down."""
    if not answered and not sys.stdin.isatty():
        warn("nothing is powered: no terminal to ask in. With the legs in the resting pose, --legs-placed says so")
        return False
    for line in described(robot, sys.stdout.encoding or "ascii"):
        say(line)
    say("")
    _say_picture(robot, picture)
    say(BEFORE_MOVING)
    try:
        if not answered and input(f"{LEGS_PLACED} [yes/no] ").strip().lower() not in ("yes", "y"):
            warn("nothing is powered: put the legs into the resting pose, then run this again and answer yes")
            return False
        for seconds in range(COUNTDOWN, 0, -1):
            say(f"powers the servos in {seconds} s; Ctrl-C powers nothing")
            time.sleep(1.0)
    except EOFError:
        say("")
        warn("nothing is powered: the question was not answered")
        return False
    except KeyboardInterrupt:
        warn("interrupted: nothing is powered")
        return False
    return True


def _say_picture(robot: RobotModel, path: Path) -> None:
    try:
        save_picture(robot, path)
    except ImportError:
        say(
            "No picture of it: that needs matplotlib, from `pip install matplotlib` or `apt install python3-matplotlib`"
        )
    except OSError as error:
        say(f"No picture of it: {path} cannot be written ({error.strerror})")
    else:
        say(f"Picture of it: {path.resolve()}")


def _say_reached(result: PoseResult) -> None:
    error = f"{result.error_mm:.1f} mm and {result.error_deg:.1f}° off what was asked"
    say(f"stands: {result.reached}; {error}, by {result.source.value}")


def _run_command(command: Command) -> None:
    run = command(
        "run",
        _run,
        "start the nodes of one robot and keep them running",
        f"No servo is powered until `quadleg stand` or the service `enable` asks for it. Ctrl-C lowers the body, "
        f"then switches the pulses off and ends; a second Ctrl-C switches off at once. {BEFORE_MOVING}",
    )
    takes_robot(run)
    takes_namespace(run)
    run.add_argument("--frame-prefix", default="", help="prefix of all frame names, for several robots")
    takes_board(run)
    run.add_argument("--rate", type=rate, help="control rate in Hz, 10 to 200; the robot file's by default")
    run.add_argument("--seed", type=seed, default=0, help="where the simulated servos stand before the first pulse")
    run.add_argument("--board-memory", metavar="FILE", help="where the simulated board keeps its registers")
    run.add_argument(
        "--params-file",
        type=params_file,
        metavar="FILE",
        help="more parameters for the nodes, as ROS writes them: see config/parameters.yaml",
    )
    run.add_argument(
        "--physics", action="store_true", help="a simulated body on the simulated board (needs the extra sim)"
    )
    takes_spread(run, None)
    run.add_argument(
        "--despite-check",
        action="store_true",
        help="on a real board, though `quadleg check` says that it does not work",
    )
    run.add_argument("--separate", action="store_true", help="one process a node instead of two processes")
    run.add_argument(
        "--joystick",
        action="store_true",
        help="also the nodes joystick and teleop, for a gamepad on this computer: see config/joystick.yaml",
    )
    run.add_argument(
        "--record", type=Path, metavar="FILE.mcap", help="every topic into this file (needs the extra log)"
    )
    run.add_argument(
        "--no-recorder", action="store_true", help="do not keep the last minute in memory, which takes some of a core"
    )
    run.add_argument("--view", action="store_true", help="a page on this computer to look and steer (extra view)")
    run.add_argument("--markers", action="store_true", help="support polygon and planned feet as visualization markers")


def add(command: Command) -> None:
    _run_command(command)

    stand = command(
        "stand",
        _stand,
        "power the robot, rise and stand at a height",
        f"The legs must be in the resting pose (belly down, legs folded) before a robot that is off is powered: on a "
        f"real board that pose is drawn and asked for. {BEFORE_MOVING}",
    )
    stand.add_argument(
        "height", nargs="?", type=height, metavar="MM", help="height of the hip axes above the ground in mm"
    )
    takes_legs_placed(stand)
    stand.add_argument(
        "--picture",
        type=Path,
        metavar="FILE",
        help="where to draw the resting pose of a real robot (default: <robot>_resting.png)",
    )
    takes_namespace(stand)

    pose = command(
        "pose",
        _pose,
        "move the body of the standing robot",
        "The feet stay where they are. What is not given is the standing height, centred and level. An unreachable "
        "pose is approached as far as it goes, and what stops it is said.",
    )
    pose.add_argument("--height", type=height, metavar="MM", help="height of the hip axes above the ground in mm")
    for axis, way in (("x", "forward"), ("y", "to the left")):
        pose.add_argument(f"--{axis}", type=number, default=0.0, metavar="MM", help=f"shift {way} in mm")
    for turn, way in (("roll", "right side down"), ("pitch", "front down"), ("yaw", "to the left")):
        pose.add_argument(f"--{turn}", type=number, default=0.0, metavar="DEG", help=f"turn in degrees, {way}")
    takes_namespace(pose)

    takes_namespace(command("sit", _sit, "lower the body to the resting pose and switch the servos off"))
    takes_namespace(
        command(
            "stop",
            _stop,
            "emergency stop: pulses off at once",
            f"The robot falls onto its belly. {REAL_STOP} This one needs a working computer.",
        )
    )
    takes_namespace(command("reset", _reset, "leave a fault, as after a stop; the robot stays off"))
    takes_namespace(command("status", _status, "say in plain sentences what the robot does and why"))

    show = command(
        "demo",
        _demo,
        "show the whole chain on a simulated board, without hardware",
        "Rises, moves the body along and about all axes, provokes an unreachable target, a hold and an emergency "
        "stop, and sits down; ends with tables and pictures. With --physics a simulated body does all that, and walks "
        "a measured course. Where the robot file names a real board it asks for the legs to be in the resting pose, "
        f"goes slowly, and leaves hold and emergency stop out. {BEFORE_MOVING}",
    )
    takes_robot(show)
    takes_legs_placed(show)
    show.add_argument(
        "--picture", type=Path, metavar="FILE", help="where to draw (default: demo.png in a new folder, quadleg_demo)"
    )
    show.add_argument("--seed", type=seed, default=0, help="where the simulated servos stand before the first pulse")
    show.add_argument(
        "--physics",
        action="store_true",
        help="with a simulated body, as `make demo` does (needs the extra sim; never on a real board)",
    )

    takes_robot(command("urdf", _urdf, "print the robot's URDF, made from its robot file"))
