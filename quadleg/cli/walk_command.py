"""The command that walks: `quadleg walk`, with a velocity for some time or to a place."""

from __future__ import annotations

import argparse
from math import degrees
from typing import TYPE_CHECKING

from quadleg.cautions import BEFORE_WALKING
from quadleg.cli.arguments import Command, find_running, number, say, takes_namespace, warn
from quadleg.errors import NotReached, Refused

if TYPE_CHECKING:
    from quadleg.client import Robot, WalkResult

VELOCITIES = ("forward_m_s", "left_m_s", "turn_deg_s")
SECONDS = 2.0  # s where nothing else is given


def _walk(options: argparse.Namespace) -> int:
    _check(options)
    with find_running(options.namespace) as robot:
        if options.gait:
            robot.choose_gait(options.gait)
        try:
            result = _result(robot, options)
        except NotReached as error:
            if error.result is not None:
                _say_result(error.result, _to_place(options))
            warn(f"not reached: {error}")
            return 1
        except KeyboardInterrupt:
            warn("interrupted: the robot stops in its square stance")
            return 130
    _say_result(result, _to_place(options))
    if result.scaled and not _to_place(options):
        warn(f"not reached: the velocity was too fast for the gait {result.gait}; `quadleg status` gives its limits")
        return 1
    return 0


def _to_place(options: argparse.Namespace) -> bool:
    return options.to_mm is not None or options.heading_deg is not None


def _check(options: argparse.Namespace) -> None:
    velocities = [name for name in VELOCITIES if getattr(options, name)]
    to_place = _to_place(options)
    if to_place and (velocities or options.seconds is not None or options.exact):
        raise Refused(
            "either a velocity (--forward-m-s, --left-m-s, --turn-deg-s, with --seconds and --exact) or a place "
            "(--to-mm X Y, --heading-deg H), not both"
        )
    if not to_place and not velocities:
        raise Refused("where to? Give a velocity, as --forward-m-s 0.05 --seconds 4, or a place, as --to-mm 300 0")


def _result(robot: Robot, options: argparse.Namespace) -> WalkResult:
    if _to_place(options):
        x_mm, y_mm = options.to_mm or (0.0, 0.0)
        return robot.walk_to(x_mm=x_mm, y_mm=y_mm, heading_deg=options.heading_deg or 0.0)
    velocity = {name: getattr(options, name) for name in VELOCITIES}
    seconds = SECONDS if options.seconds is None else options.seconds
    return robot.walk(**velocity, seconds=seconds, exact=options.exact)


def _say_result(result: WalkResult, to_place: bool) -> None:
    from quadleg.client.walking import ARRIVED_WITHIN

    say(f"asked     {result.asked}")
    say(f"reached   {result.reached}")
    say(f"error     {result.error_mm:.0f} mm and {result.error_deg:.1f}°, by {result.source_in_words}")
    say(f"gait      {result.gait}")
    if not to_place:  # on the way to a place the velocities are quadleg's own
        scale = f"to {100 * result.scale:.0f} % of the velocity asked for" if result.scaled else "no"
        say(f"scaled    {scale}")
        done = not (result.scaled or result.overridden_by)
        if done and not result.is_within(1000 * ARRIVED_WITHIN[0], degrees(ARRIVED_WITHIN[1])):
            say("off       a walk by time does not correct what it slips, gains or lags; --to-mm does")
    if result.shortfall:
        say(f"lagged    the body did not follow its commands on the way: {result.shortfall}")
    if result.overridden_by:
        say(f"overridden by {result.overridden_by}")


def add(command: Command) -> None:
    walk = command(
        "walk",
        _walk,
        "walk with a velocity for some time, or to a place",
        "Seen from where the robot stands, which has to stand already. Says what was asked and reached, and by which "
        "estimate. With a velocity it goes as far as that leads in the seconds given; it speeds up and brakes for some "
        "more seconds, and what it slips is not made up for. The exit code is 0 for a place that was reached to within "
        "15 mm and 3°, and for a velocity that was not scaled and led at least half and at most one and a half times "
        f"as far as asked. Ctrl-C stops the walk in the square stance. {BEFORE_WALKING}",
    )
    walk.add_argument("--forward-m-s", type=number, default=0.0, metavar="M/S", help="velocity forward in m/s")
    walk.add_argument("--left-m-s", type=number, default=0.0, metavar="M/S", help="velocity to the left in m/s")
    walk.add_argument("--turn-deg-s", type=number, default=0.0, metavar="DEG/S", help="turning left, in degrees/s")
    walk.add_argument("--seconds", type=number, metavar="S", help=f"for how long (default: {SECONDS:g})")
    walk.add_argument("--exact", action="store_true", help="refuse a velocity that is too fast instead of scaling it")
    walk.add_argument("--to-mm", type=number, nargs=2, metavar=("X", "Y"), help="a place: mm forward, mm to the left")
    walk.add_argument("--heading-deg", type=number, metavar="H", help="the heading there, degrees to the left")
    walk.add_argument("--gait", metavar="NAME", help="in this gait, from now on")
    takes_namespace(walk)
