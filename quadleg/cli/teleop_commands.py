"""Commands for a person's hands: drive and joystick."""

from __future__ import annotations

import argparse
from contextlib import closing
from pathlib import Path

from quadleg.cautions import BEFORE_MOVING
from quadleg.cli.arguments import Command, dead_man, say, takes_namespace, warn


def _drive(options: argparse.Namespace) -> int:
    from quadleg.cli.drive import Drive

    with closing(Drive(options.namespace, options.dead_man)) as drive:
        say(drive.run())
    return 0


def _joystick(options: argparse.Namespace) -> int:
    from quadleg.commissioning.gamepad_learning import learn_to

    try:
        learn_to(options.learn, options.device)
    except KeyboardInterrupt:
        warn("interrupted: nothing is written")
        return 130
    return 0


def add(command: Command) -> None:
    drive = command(
        "drive",
        _drive,
        "walk and pose the robot with the keys of this terminal",
        "All keys are on the screen. Each press changes the speed by a notch; where no key is pressed for a while, the "
        f"robot stops walking. Without the terminal it stops within half a second. {BEFORE_MOVING}",
    )
    takes_namespace(drive)
    drive.add_argument(
        "--dead-man",
        type=dead_man,
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
