"""Which pictures a report has, and what each shows in words."""

from __future__ import annotations

from collections.abc import Callable

from matplotlib.figure import Figure

from quadleg.dynamics.servo_heat import UNKNOWN
from quadleg.recording.panels import Picture
from quadleg.recording.report_heat_plot import temperature
from quadleg.recording.report_plots import joints, pose, power, speed, time_line, timing, tracking_error
from quadleg.recording.report_walk_plots import gait, longest_stride, path
from quadleg.recording.statistics import drawn, tracking, voltages
from quadleg.recording.story import Story
from quadleg.robot.model import MODELLED


def pictures(story: Story) -> list[Picture]:
    """Those that the recording has something for, in the order of a report."""
    found: list[Picture] = []

    def add(there: bool, draw: Callable[[Story], Figure], heading: str, about: str) -> None:
        if there:
            found.append(Picture(draw.__name__, heading, about, lambda: draw(story)))

    asked = story.pose_asked is not None or story.speed_asked is not None
    angles = _angles(story)
    add(
        bool(story.states or story.stretches or asked),
        time_line,
        "Time line",
        "What the robot was doing: the watchdog decides, servo_output carries out. The numbers are those of the events "
        "in the table below.",
    )
    add(
        story.pose_asked is not None or story.pose_done is not None or story.estimate is not None,
        pose,
        "Body pose: asked and done",
        "The body in the frame on the ground between its feet: height above the ground, ahead, to the left, and its "
        f"turns. “By the joints” is worked out from the joint angles, while it stands. {angles}",
    )
    add(
        story.speed_asked is not None or any(map(story.speed, ("planned_feet", "odom", "truth/odom"))),
        speed,
        "Walking: asked, planned and done",
        "The gait plans what is asked for within its limits. Estimate and truth are means over "
        f"{longest_stride(story):.2g} s, a stride, in which a body swings to and fro.",
    )
    shown = "what it was commanded (pale) and its angle (in colour)" if story.commanded is not None else "its angle"
    limits = ", with the limits of the robot file" if story.robot else ""
    add(
        True,
        joints,
        "Joint angles",
        f"Each joint: {shown}{limits}. {angles}",
    )
    add(
        tracking(story) is not None,
        tracking_error,
        "Tracking error",
        "How far each joint was from the last command: a servo's lag, and how far it gave way under load. The first "
        f"pulses are left out, since a joint then comes from wherever a hand put it. {angles}",
    )
    add(
        bool(story.stretches),
        gait,
        "Gait",
        "The fastest strides of the longest walk in each gait. Upper bars: the foot is on the ground by the plan; "
        "lower, pale bars: it carries weight, as the state estimator sees it, which leaves out a foot that slips.",
    )
    add(story.estimate is not None, path, "Path from above, and the estimate", _path(story))
    add(
        story.torques is not None or drawn(story) is not None or voltages(story) is not None,
        power,
        "Torque, current and voltage",
        "What the servos had to give, against what they and their supply can. A hobby servo that holds more than half "
        "its stall torque for long gets hot.",
    )
    add(
        story.temperatures is not None,
        temperature,
        "Servo temperatures, estimated",
        "The hottest servo of each leg, by the watchdog's model of its current. Estimated, unverified: nothing "
        f"measures it. Each servo begins at {UNKNOWN:.0f} °C, since what it did before is not known.",
    )
    add(
        len(story.joints) > 1,
        timing,
        "Timing",
        "How evenly joint states came, how long a frame took from the tick that began it to the board, and how many "
        "frames were not complete in time.",
    )
    return found


def _angles(story: Story) -> str:
    if story.angles_are == MODELLED:
        return "Joint angles are modelled from the commands: nothing measured them, so they cannot show a servo's lag."
    return f"Joint angles are {story.angles_are}." if story.angles_are else "Nobody said how joint angles came about."


def _path(story: Story) -> str:
    way = "The way of the body over the ground, with the sway of the gait, seen from where it first stood"
    if story.signals.get("truth/odom") is None:
        return (
            f"{way}. Ellipses are three standard deviations, as the estimate itself says. Nothing recorded the truth."
        )
    return (
        f"{way}; errors are the estimate less the truth, bands and ellipses three standard deviations, as the estimate "
        "itself says, of what has come since that beginning."
    )
