"""The `quadleg` command."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from math import isfinite, nan, radians
from pathlib import Path

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from quadleg.cli_recordings import recording_commands
from quadleg.errors import NoPlace, QuadlegError, SimMissing, Uncalibrated, WillNotWork
from quadleg.resting import drawing, save_picture
from quadleg.robot.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.robot.model import Robot as Model
from quadleg.robot.syntax import syntax_fault
from quadleg.servos.boards import BOARDS

CAUTION = (
    "Before anything moves: the robot on a stand with its feet free, fingers clear of knees and hips, the switch "
    "of the servo supply within reach."
)
QUESTION = (
    "Are the legs in the resting pose, the robot on a stand or on its belly, fingers clear, the supply switch within "
    "reach? [yes/no] "
)
COUNTDOWN = 3  # s


def _run(options: argparse.Namespace) -> int:
    from quadleg.client import SIMULATED
    from quadleg.runner import Plan, Runner

    robot = load_robot(find_robot(options.robot))
    if (options.board or robot.board.kind) != SIMULATED:
        _need_sound(robot, options.despite_check)
    elif robot.uncalibrated:
        _say(f"Not calibrated, which only the simulated board does without: {', '.join(robot.uncalibrated)}")
    plan = Plan(
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
        memory=Path(options.board_memory) if options.board_memory else None,
        params_file=options.params_file,
    )
    if options.record:
        _say(f"Every topic goes into {options.record}; `quadleg report {options.record}` shows it afterwards.")
    return Runner(plan, _say).run()


def _beside(options: argparse.Namespace) -> list[str]:
    """The optional processes that are wanted. Raises QuadlegError where one needs what is not installed."""
    from quadleg import graph

    wanted = [graph.PAD] * options.joystick + [graph.MARKERS] * options.markers
    if options.view:
        if not find_spec("viser"):
            raise QuadlegError("--view needs viser: pip install 'quadleg[view]'")
        wanted.append(graph.VIEWER)
    if options.no_recorder and not options.record:
        return wanted
    if find_spec("mcap"):
        wanted.append(graph.RECORDER)
    elif options.record:
        raise QuadlegError("--record needs mcap: pip install 'quadleg[log]'")
    if options.record and options.record.exists():
        raise NoPlace(f"{options.record} is there already and stays as it is: name a new file")
    return wanted


def _need_sound(robot: Model, despite_check: bool) -> None:
    """Nothing of this can hurt a simulated robot."""
    from quadleg.commissioning.check import refusals

    if robot.uncalibrated:
        raise Uncalibrated(robot.path, robot.uncalibrated)
    if not despite_check and (reasons := refusals(robot)):
        raise WillNotWork(robot.path, reasons)


def _stand(options: argparse.Namespace) -> int:
    from quadleg.client import SIMULATED

    with _robot(options) as robot:
        # A state that is not heard may be off.
        if robot.board_kind != SIMULATED and robot.status().state in ("off", None):
            picture = options.picture or Path(f"{robot.model.name}_resting.png")
            if not _legs_placed(robot.model, picture, options.legs_placed):
                return 1
        robot.stand(height_mm=options.height)
        return _say_reached(robot)


def _pose(options: argparse.Namespace) -> int:
    with _robot(options) as robot:
        robot.pose(
            height_mm=options.height,
            x_mm=options.x,
            y_mm=options.y,
            roll_deg=options.roll,
            pitch_deg=options.pitch,
            yaw_deg=options.yaw,
        )
        return _say_reached(robot)


def _sit(options: argparse.Namespace) -> int:
    with _robot(options) as robot:
        robot.sit()
    _say("sits; the servos are off")
    return 0


def _stop(options: argparse.Namespace) -> int:
    with _robot(options) as robot:
        robot.stop()
    _say("stopped: pulses are off. Put the legs into the resting pose, then `quadleg reset` and `quadleg stand`")
    return 0


def _reset(options: argparse.Namespace) -> int:
    with _robot(options) as robot:
        _say(robot.reset())
    return 0


def _status(options: argparse.Namespace) -> int:
    from quadleg.words import status_in_words

    with _robot(options) as robot:
        now, asked = robot.status(), robot.asked()
        reached = robot.reached() if now.angles else None
    for heading, sentence in status_in_words(now, asked, reached):
        _say(f"{heading:<9} {sentence}")
    return 0


def _drive(options: argparse.Namespace) -> int:
    from quadleg.drive import Drive

    with Drive(options.namespace, options.dead_man) as drive:
        _say(drive.run())
    return 0


def _joystick(options: argparse.Namespace) -> int:
    from quadleg.teleop.learn import learn_to

    try:
        learn_to(options.learn, options.device)
    except KeyboardInterrupt:
        _warn("interrupted: nothing is written")
        return 130
    return 0


def _demo(options: argparse.Namespace) -> int:
    from quadleg.demo import demo

    model = load_robot(find_robot(options.robot))
    resting = options.picture.with_name(f"{model.name}_resting.png")

    def placed() -> bool:
        return _legs_placed(model, resting, options.legs_placed)

    return demo(model, options.picture, options.seed, placed, options.physics)


def _urdf(options: argparse.Namespace) -> int:
    from quadleg.robot.urdf import urdf

    _say(urdf(load_robot(find_robot(options.robot))))
    return 0


def _new(options: argparse.Namespace) -> int:
    from quadleg.commissioning.check import check
    from quadleg.commissioning.check_table import print_check
    from quadleg.commissioning.new import describe, say_next_steps

    if find_spec("readline"):  # with it, `input` lets an answer be edited
        import readline  # noqa: F401

    try:
        robot = describe(options.file, input, _say)
    except KeyboardInterrupt:
        _say("")
        _warn("interrupted: nothing is written")
        return 130
    except EOFError:
        _say("")
        _warn("nothing is written: a question was not answered")
        return 1
    _say("\nWhat `quadleg check` says of it:")
    print_check(check(robot))
    say_next_steps(options.file, robot, _say)
    return 0


def _timing(options: argparse.Namespace) -> int:
    from quadleg import timing

    if find_spec("rclpy") is None:
        _warn("rclpy does not import, so the graph is not timed")
    timings = timing.measure()
    if options.json:
        _say(timing.as_json(timings))
    else:
        timing.print_table(timings)
    return 0


def _rollout(options: argparse.Namespace) -> int:
    from rich.console import Console
    from rich.progress import Progress

    try:
        from quadleg.simulation import trials
        from quadleg.simulation.ground import Ground
    except ImportError:
        raise SimMissing from None
    robot = load_robot(find_robot(options.robot))
    ground = Ground(
        friction=options.friction,
        slope=radians(options.slope),
        roughness=options.roughness / 1000,
        push=options.push,
    )
    todo = trials.trials(options.runs)
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("walking", total=len(todo))
        outcomes = trials.run_all(robot, ground, options.distance, todo, lambda _: progress.advance(task))
    found = trials.figures(outcomes)
    if options.json:
        _say(trials.as_json(found))
    else:
        trials.print_table(found, outcomes)
    return 0


def _check(options: argparse.Namespace) -> int:
    from quadleg.commissioning.check import as_json, check
    from quadleg.commissioning.check_table import print_check
    from quadleg.commissioning.hardware import findings, print_findings

    robot = load_robot(find_robot(options.robot))
    if options.hardware:
        found = findings(robot)
        print_findings(found)
        return 1 if any(finding.fine is False for finding in found) else 0
    checked = check(robot)
    if options.json:
        _say(as_json(checked))
    else:
        print_check(checked)
    folder = options.pictures or (None if options.json else Path())
    if folder:
        _draw_check(checked, folder, _warn if options.json else _say)
    return 1 if checked.refusals else 0


def _draw_check(checked, folder: Path, say: Callable[[str], None]) -> None:
    try:
        from quadleg.commissioning.check_plots import check_pictures

        made = check_pictures(checked, folder)
    except ImportError:
        say("No pictures: they need matplotlib, from `pip install matplotlib` or `apt install python3-matplotlib`")
    except OSError as error:
        say(f"No pictures: {error.filename or folder} cannot be written ({error.strerror})")
    else:
        say(f"Pictures: {', '.join(str(path.resolve()) for path in made)}")


def _calibrate(options: argparse.Namespace) -> int:
    from quadleg.commissioning import start
    from quadleg.commissioning.angle_card import save_card
    from quadleg.commissioning.calibrate import joints_of, split_words

    if options.card:
        save_card(options.card)
        _say(f"{options.card}: print it at 100 %, and check its ruler of 100 mm before you use it")
        return 0
    robot, names = split_words(options.words)
    work = start.Work(
        path=find_robot(robot or DEFAULT_ROBOT),
        names=joints_of(names),
        fit_horns=options.fit_horns,
        teeth=options.teeth,
        board=options.board,
        seed=options.seed,
        quick=options.answers is not None,
    )
    return _at_the_bench(work, options.answers)


def _trim(options: argparse.Namespace) -> int:
    from quadleg.commissioning.trim import Trim

    path = find_robot(options.robot)
    return _at_the_bench(Trim(path, options.board, options.seed, quick=options.answers is not None), options.answers)


def _at_the_bench(work, answers: Path | None) -> int:
    from quadleg.commissioning import start

    try:
        done = start.by_file(work, answers) if answers else start.on_screen(work)
    except KeyboardInterrupt:
        _warn("interrupted: the pulses are off; what was finished before is saved")
        return 130
    finally:
        for sentence in work.said:
            _say(sentence)
    return 0 if done else 1


def _robot(options: argparse.Namespace):
    from quadleg.client import Robot

    return Robot(options.namespace)


def _legs_placed(robot: Model, picture: Path, answered: bool) -> bool:
    """Draws the resting pose, asks whether the legs are there unless that is `answered`, and counts down."""
    if not answered and not sys.stdin.isatty():
        _warn("nothing is powered: no terminal to ask in. With the legs in the resting pose, --legs-placed says so")
        return False
    for line in drawing(robot, sys.stdout.encoding or "ascii"):
        _say(line)
    _say("")
    _say_picture(robot, picture)
    _say(CAUTION)
    try:
        if not answered and input(QUESTION).strip().lower() not in ("yes", "y"):
            _warn("nothing is powered: put the legs into the resting pose, then run this again and answer yes")
            return False
        for seconds in range(COUNTDOWN, 0, -1):
            _say(f"powers the servos in {seconds} s; Ctrl-C powers nothing")
            time.sleep(1.0)
    except EOFError:
        _say("")
        _warn("nothing is powered: the question was not answered")
        return False
    except KeyboardInterrupt:
        _warn("interrupted: nothing is powered")
        return False
    return True


def _say_picture(robot: Model, path: Path) -> None:
    try:
        save_picture(robot, path)
    except ImportError:
        _say(
            "No picture of it: that needs matplotlib, from `pip install matplotlib` or `apt install python3-matplotlib`"
        )
    except OSError as error:
        _say(f"No picture of it: {path} cannot be written ({error.strerror})")
    else:
        _say(f"Picture of it: {path.resolve()}")


def _say_reached(robot) -> int:
    _say(f"stands: {robot.reached()}")
    return 0


def _say(text: str) -> None:
    print(text, flush=True)


def _warn(text: str) -> None:
    print(f"quadleg: {text}", file=sys.stderr)


def parser() -> argparse.ArgumentParser:
    """The command line, with all its help."""
    top = argparse.ArgumentParser(
        prog="quadleg",
        description="Stands, moves and watches over a small four-legged robot with twelve hobby servos.",
        epilog=f"Start with `quadleg demo`: it needs no hardware. {CAUTION}",
    )
    commands = top.add_subparsers(metavar="COMMAND", required=True)

    def command(
        name: str, act: Callable[[argparse.Namespace], int], summary: str, more: str = ""
    ) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}. {more}".strip())
        sub.set_defaults(act=act)
        return sub

    def takes_robot(sub: argparse.ArgumentParser) -> None:
        sub.add_argument(
            "robot",
            nargs="?",
            default=DEFAULT_ROBOT,
            help="robot file, or the name of one that comes with quadleg",
        )

    def takes_namespace(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("--namespace", default="", help="ROS namespace of the running stack")

    def takes_legs_placed(sub: argparse.ArgumentParser) -> None:
        sub.add_argument(
            "--legs-placed",
            action="store_true",
            help="on a real board: the legs are in the resting pose and fingers clear; do not ask",
        )

    _run_command(command, takes_robot, takes_namespace)

    stand = command(
        "stand",
        _stand,
        "power the robot, rise and stand at a height",
        f"The legs must be in the resting pose (belly down, legs folded) before a robot that is off is powered: on a "
        f"real board that pose is drawn and asked for. {CAUTION}",
    )
    stand.add_argument(
        "height", nargs="?", type=_number, metavar="MM", help="height of the hip axes above the ground in mm"
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
    pose.add_argument("--height", type=_number, metavar="MM", help="height of the hip axes above the ground in mm")
    for axis, way in (("x", "forward"), ("y", "to the left")):
        pose.add_argument(f"--{axis}", type=_number, default=0.0, metavar="MM", help=f"shift {way} in mm")
    for turn, way in (("roll", "right side down"), ("pitch", "front down"), ("yaw", "to the left")):
        pose.add_argument(f"--{turn}", type=_number, default=0.0, metavar="DEG", help=f"turn in degrees, {way}")
    takes_namespace(pose)

    takes_namespace(command("sit", _sit, "lower the body to the resting pose and switch the servos off"))
    takes_namespace(
        command(
            "stop",
            _stop,
            "emergency stop: pulses off at once",
            "The robot falls onto its belly. The switch in the servo supply is the real emergency stop: this one "
            "needs a working computer.",
        )
    )
    takes_namespace(command("reset", _reset, "leave a fault, as after a stop; the robot stays off"))
    takes_namespace(command("status", _status, "say in plain sentences what the robot does and why"))

    _operator_commands(command, takes_namespace)
    recording_commands(command, takes_namespace, _say)

    show = command(
        "demo",
        _demo,
        "show the whole chain on a simulated board, without hardware",
        "Rises, moves the body along and about all axes, provokes an unreachable target, a hold and an emergency "
        "stop, and sits down; ends with tables and pictures. With --physics a simulated body does all that, and walks "
        "a measured course. Where the robot file names a real board it asks for the legs to be in the resting pose, "
        f"goes slowly, and leaves hold and emergency stop out. {CAUTION}",
    )
    takes_robot(show)
    takes_legs_placed(show)
    show.add_argument(
        "--picture", type=Path, default=Path("demo.png"), metavar="FILE", help="where to draw (default: %(default)s)"
    )
    show.add_argument("--seed", type=_seed, default=0, help="where the simulated servos stand before the first pulse")
    show.add_argument(
        "--physics",
        action="store_true",
        help="with a simulated body, as `make demo` does (needs the extra sim; never on a real board)",
    )

    takes_robot(command("urdf", _urdf, "print the robot's URDF, made from its robot file"))
    speed = command("timing", _timing, "measure the speed of the parts on this computer")
    speed.add_argument("--json", action="store_true", help="print one JSON array instead of a table")
    _rollout_command(command, takes_robot)
    _bench_commands(command, takes_robot)
    return top


def _run_command(
    command: Callable[..., argparse.ArgumentParser],
    takes_robot: Callable[[argparse.ArgumentParser], None],
    takes_namespace: Callable[[argparse.ArgumentParser], None],
) -> None:
    run = command(
        "run",
        _run,
        "start the nodes of one robot and keep them running",
        f"No servo is powered until `quadleg stand` or the service `enable` asks for it. Ctrl-C lowers the body, "
        f"then switches the pulses off and ends; a second Ctrl-C switches off at once. {CAUTION}",
    )
    takes_robot(run)
    takes_namespace(run)
    run.add_argument("--frame-prefix", default="", help="prefix of all frame names, for several robots")
    run.add_argument("--board", default="", choices=sorted(BOARDS), help="in place of the robot file's board")
    run.add_argument("--rate", type=_rate, help="control rate in Hz, 10 to 200; the robot file's by default")
    run.add_argument("--seed", type=_seed, default=0, help="where the simulated servos stand before the first pulse")
    run.add_argument("--board-memory", metavar="FILE", help="where the simulated board keeps its registers")
    run.add_argument(
        "--params-file",
        type=_params_file,
        metavar="FILE",
        help="more parameters for the nodes, as ROS writes them: see config/parameters.yaml",
    )
    run.add_argument(
        "--physics", action="store_true", help="a simulated body on the simulated board (needs the extra sim)"
    )
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


def _bench_commands(
    command: Callable[..., argparse.ArgumentParser], takes_robot: Callable[[argparse.ArgumentParser], None]
) -> None:
    _new_command(command)
    _check_command(command, takes_robot)
    _calibrate_commands(command, takes_robot)


def _new_command(command: Callable[..., argparse.ArgumentParser]) -> None:
    new = command(
        "new",
        _new,
        "describe a new robot by questions and write its robot file",
        "Asks for what a ruler, a scale and the labels of servos and supply tell, with a drawing of each length. Never "
        f"overwrites a file. {CAUTION}",
    )
    new.add_argument("file", type=Path, metavar="FILE", help="the robot file to write, as my_robot.yaml")


def _check_command(
    command: Callable[..., argparse.ArgumentParser], takes_robot: Callable[[argparse.ArgumentParser], None]
) -> None:
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
        help="folder for the pictures (default: this one; with --json none are made without this)",
    )


def _calibrate_commands(
    command: Callable[..., argparse.ArgumentParser], takes_robot: Callable[[argparse.ArgumentParser], None]
) -> None:
    calibrate = command(
        "calibrate",
        _calibrate,
        "find out which pulse turns each servo to which angle",
        "One servo at a time, on a stand, with all keys on the screen. Each joint is saved into the robot file when it "
        "is done; the file as it was before stays beside it as FILE.before. Moves slowly, but the first pulse of each "
        f"servo comes at full speed. Needs no ROS. {CAUTION}",
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
        "--teeth", type=_teeth, default=25, metavar="N", help="of the servos' spline (default: %(default)s)"
    )
    calibrate.add_argument("--answers", type=Path, metavar="FILE", help="take the answers from a file, for scripts")
    calibrate.add_argument(
        "--card",
        type=Path,
        metavar="FILE",
        help="only write a card with angles as SVG, to print and hold to the joints",
    )
    calibrate.add_argument("--board", default="", choices=sorted(BOARDS), help="in place of the robot file's board")
    calibrate.add_argument("--seed", type=_seed, default=0, help="where a simulated robot's horns went on")
    trim = command(
        "trim",
        _trim,
        "nudge the joints of the standing robot and save their zeros",
        "On level ground: rises from the resting pose, sits down at the end and on Ctrl-C. Comes after `calibrate`, "
        "with `quadleg run` ended. Needs no ROS. Before anything moves: fingers clear of knees and hips, the switch of "
        "the servo supply within reach.",
    )
    takes_robot(trim)
    trim.add_argument("--answers", type=Path, metavar="FILE", help="take the answers from a file, for scripts")
    trim.add_argument("--board", default="", choices=sorted(BOARDS), help="in place of the robot file's board")
    trim.add_argument("--seed", type=_seed, default=0, help="where a simulated robot's horns went on")


def _rollout_command(
    command: Callable[..., argparse.ArgumentParser], takes_robot: Callable[[argparse.ArgumentParser], None]
) -> None:
    rollout = command(
        "rollout",
        _rollout,
        "walk in physics, faster than real time, and measure",
        "Each run walks forward in both gaits, with measured and with modelled joint angles and without an estimator, "
        "by the same modules as the nodes. Prints the median and the worst of all runs. Needs the extra sim.",
    )
    takes_robot(rollout)
    rollout.add_argument("--runs", type=_count, default=4, metavar="N", help="how many seeds (default: %(default)s)")
    rollout.add_argument(
        "--distance", type=_distance, default=5.0, metavar="M", help="way of each walk in m (default: %(default)g)"
    )
    for name, default, unit, what in (
        ("friction", 0.8, "MU", "friction between feet and ground"),
        ("slope", 0.0, "DEG", "slope of the ground, uphill ahead"),
        ("roughness", 0.0, "MM", "height of the ground's bumps"),
        ("push", 0.0, "NS", "pushes from all sides, one about every 5 s, in N·s"),
    ):
        rollout.add_argument(
            f"--{name}", type=_number, default=default, metavar=unit, help=f"{what} (default: %(default)g)"
        )
    rollout.add_argument("--json", action="store_true", help="print one JSON array instead of a table")


def _operator_commands(
    command: Callable[..., argparse.ArgumentParser], takes_namespace: Callable[[argparse.ArgumentParser], None]
) -> None:
    drive = command(
        "drive",
        _drive,
        "walk and pose the robot with the keys of this terminal",
        "All keys are on the screen. Each press changes the speed by a notch; where no key is pressed for a while, the "
        f"robot stops walking. Without the terminal it stops within half a second. {CAUTION}",
    )
    takes_namespace(drive)
    drive.add_argument(
        "--dead-man",
        type=_dead_man,
        default=2.0,
        metavar="S",
        help="seconds without a key after which it stops walking, 0.5 to 10 (default: 2)",
    )

    pad = command(
        "joystick",
        _joystick,
        "learn a gamepad's mapping",
        "Asks for each movement and writes a parameter file for `quadleg run --joystick --params-file FILE`. Moves "
        "nothing, and needs no running stack.",
    )
    pad.add_argument("--learn", type=Path, required=True, metavar="FILE", help="the file to write")
    pad.add_argument("--device", default="", help="path of the gamepad's input device, or a part of its name")


def _rate(text: str) -> float:
    try:
        rate = float(text)
    except ValueError:
        rate = 0.0
    if not 10 <= rate <= 200:
        raise argparse.ArgumentTypeError(f"{text} is not a control rate: 10 to 200 Hz")
    return rate


def _dead_man(text: str) -> float:
    seconds = _number(text)
    if not 0.5 <= seconds <= 10:
        raise argparse.ArgumentTypeError(f"{text} is no dead-man time: 0.5 to 10 s")
    return seconds


def _seed(text: str) -> int:
    if not text.isdecimal() or int(text) >= 2**31:
        raise argparse.ArgumentTypeError(f"{text} is not a seed: a whole number from 0 to {2**31 - 1}")
    return int(text)


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 10_000:
        raise argparse.ArgumentTypeError(f"{text} is no number of runs: 1 to 10000")
    return int(text)


def _teeth(text: str) -> int:
    if not text.isdecimal() or not 10 <= int(text) <= 60:
        raise argparse.ArgumentTypeError(f"{text} is no number of teeth: 10 to 60; 25 where the data sheet is silent")
    return int(text)


def _distance(text: str) -> float:
    distance = _number(text)
    if not 0.5 <= distance <= 14:
        raise argparse.ArgumentTypeError(f"{text} is no distance to walk: 0.5 to 14 m, as far as the ground goes")
    return distance


def _params_file(text: str) -> Path:
    """A parameter file that ROS can read and whose nodes are there; ROS itself passes over unknown ones."""
    from quadleg.graph import GRAPH, OPTIONAL

    path, known = Path(text), [entry.name for entry in GRAPH + OPTIONAL]
    try:
        document = path.read_text(encoding="utf-8")
        nodes = YAML(typ="safe").load(document)
    except (OSError, UnicodeDecodeError) as error:
        raise argparse.ArgumentTypeError(f"{text} cannot be read: {error}") from None
    except YAMLError as error:
        line, remedy = syntax_fault(error, document)
        raise argparse.ArgumentTypeError(f"{text}:{line}: {remedy}") from None
    for name, content in nodes.items() if isinstance(nodes, dict) else [("the file", nodes)]:
        if not isinstance(content, dict) or not isinstance(content.get("ros__parameters"), dict):
            raise argparse.ArgumentTypeError(
                f"{text}: {name} has no ros__parameters with values below it; config/parameters.yaml shows the form"
            )
        if str(name).rpartition("/")[2] not in ("**", *known):
            raise argparse.ArgumentTypeError(f"{text}: there is no node {name}; there are {', '.join(known)}, and /**")
    return path


def _number(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = nan
    if not isfinite(number):
        raise argparse.ArgumentTypeError(f"{text} is not a number, as 150 or -4.5 would be")
    return number


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command; errors of quadleg are said without a traceback. The exit code."""
    options = parser().parse_args(arguments)
    try:
        return options.act(options)
    except QuadlegError as error:
        _warn(str(error))
        return 1
    except KeyboardInterrupt:
        _warn("interrupted; the robot goes on with what it was asked for. `quadleg sit` lowers it")
        return 130


if __name__ == "__main__":
    sys.exit(main())
