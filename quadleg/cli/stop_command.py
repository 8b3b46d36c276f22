"""`quadleg stop`: the pulses off by the stop socket of this computer first, and then over ROS as well.

Nothing heavy is imported before the socket has answered.
"""

from __future__ import annotations

from quadleg.cautions import IF_POWERED
from quadleg.cli.console import say, warn
from quadleg.safety.stop_socket import stop_here

STOPPED = "stopped: pulses are off. Put the legs into the resting pose, then `quadleg reset` and `quadleg stand`"


def stop(namespace: str) -> int:
    """Stop the robot of a namespace; the exit code: 0 where its pulses are off, else 1."""
    here = stop_here(namespace)
    off = bool(here) and all(done for done, _ in here)
    if off:
        say(STOPPED)
    for done, said in here:
        if not done:
            warn(f"{said}. {IF_POWERED}")
    try:
        return _stop_over_ros(namespace, off)
    except KeyboardInterrupt:
        warn("interrupted; the pulses are off" if off else f"interrupted. {IF_POWERED}")
        return 0 if off else 130


def _stop_over_ros(namespace: str, off: bool) -> int:
    """The same by the service, which reaches a robot on another computer; `off`: the stop socket has done it."""
    from quadleg.errors import QuadlegError, Refused

    found = False
    try:
        from quadleg.client import Robot

        with Robot(namespace) as robot:
            found = True
            robot.stop()
    except QuadlegError as error:
        if off and not isinstance(error, Refused):
            warn(f"not confirmed over ROS: {error}")
            return 0
        warn(str(error) if found else f"{error}. Nothing was stopped over ROS. {IF_POWERED}")
        return 1
    if not off:
        say(STOPPED)
    return 0
