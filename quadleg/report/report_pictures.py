"""Which pictures a report has, and what each shows in words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO

from matplotlib.figure import Figure

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.dynamics.servo_heat import UNKNOWN
from quadleg.plotting.panels import PNG_DPI
from quadleg.report.report_body_plots import pose, speed
from quadleg.report.report_heat_plot import temperature
from quadleg.report.report_joint_plots import joints, power, tracking_error
from quadleg.report.report_state_plots import time_line
from quadleg.report.report_timing_plots import timing
from quadleg.report.report_walk_plots import gait, path
from quadleg.robot.model import MODELLED


@dataclass(frozen=True)
class ReportPicture:
    """One picture: a name for its file, a heading, what it shows in a sentence or two, and how it is drawn."""

    name: str
    heading: str
    about: str
    draw: Callable[[], Figure]

    def png(self) -> bytes:
        """Draw the picture; return the bytes of a PNG file."""
        stream = BytesIO()
        self.draw().savefig(stream, format="png", dpi=PNG_DPI)
        return stream.getvalue()


def pictures(analysis: RecordingAnalysis) -> list[ReportPicture]:
    """Return the pictures for which the recording has data, in the order of a report."""
    found: list[ReportPicture] = []

    def add(there: bool, draw: Callable[[RecordingAnalysis], Figure], heading: str, about: str) -> None:
        if there:
            found.append(ReportPicture(draw.__name__, heading, about, lambda: draw(analysis)))

    asked = analysis.body.pose_setpoint is not None or analysis.body.speed_setpoint is not None
    angles = _angles(analysis)
    add(
        bool(analysis.states.watchdog or analysis.body.walks or asked),
        time_line,
        "Time line",
        "What the robot was doing: the watchdog decides, servo_output carries out. The numbers are those of the events "
        "in the table below.",
    )
    add(
        analysis.body.pose_setpoint is not None
        or analysis.body.pose_reached is not None
        or analysis.body.estimate is not None,
        pose,
        "Body pose: asked and done",
        "The body in the frame on the ground between its feet: height above the ground, ahead, to the left, and its "
        f"turns. “By the joints” is worked out from the joint angles, while it stands. {angles}",
    )
    add(
        analysis.body.speed_setpoint is not None
        or any(map(analysis.body.speed, ("planned_feet", "odom", "truth/odom"))),
        speed,
        "Walking: asked, planned and done",
        "The gait plans what is asked for within its limits. Estimate and truth are means over "
        f"{analysis.body.longest_stride:.2g} s, a stride, in which a body swings to and fro.",
    )
    shown = (
        "what it was commanded (pale) and its angle (in colour)"
        if analysis.joints.commanded is not None
        else "its angle"
    )
    limits = ", with the limits of the robot file" if analysis.robot else ""
    add(
        True,
        joints,
        "Joint angles",
        f"Each joint: {shown}{limits}. {angles}",
    )
    add(
        analysis.joints.tracking is not None,
        tracking_error,
        "Tracking error",
        "How far each joint was from the last command: a servo's lag, and how far it gave way under load. The first "
        f"pulses are left out, since a joint then comes from wherever a hand put it. {angles}",
    )
    add(
        bool(analysis.body.walks),
        gait,
        "Gait",
        "The fastest strides of the longest walk in each gait. Upper bars: the foot is on the ground by the plan; "
        "lower, pale bars: it carries weight, as the state estimator sees it, which leaves out a foot that slips.",
    )
    add(analysis.body.estimate is not None, path, "Path from above, and the estimate", _path(analysis))
    add(
        analysis.joints.torques is not None or bool(analysis.panels),
        power,
        "Torque, current and voltage",
        "What the servos had to give, against what they and their supply can. A hobby servo that holds more than half "
        "its stall torque for long gets hot.",
    )
    add(
        analysis.temperatures is not None,
        temperature,
        "Servo temperatures, estimated",
        "The hottest servo of each leg, by the watchdog's model of its current. Estimated, unverified: nothing "
        f"measures it. Each servo begins at {UNKNOWN:.0f} °C, since what it did before is not known.",
    )
    add(
        len(analysis.joints) > 1,
        timing,
        "Timing",
        "How evenly joint states came, how long a frame took from the tick that began it to the board, and how many "
        "frames were not complete in time.",
    )
    return found


def _angles(analysis: RecordingAnalysis) -> str:
    if analysis.angle_source == MODELLED:
        return "Joint angles are modelled from the commands: nothing measured them, so they cannot show a servo's lag."
    return (
        f"Joint angles are {analysis.angle_source}."
        if analysis.angle_source
        else "The recording does not say how joint angles came about."
    )


def _path(analysis: RecordingAnalysis) -> str:
    way = "The way of the body over the ground, with the sway of the gait, seen from where it first stood"
    if analysis.signals.get("truth/odom") is None:
        return (
            f"{way}. Ellipses are three standard deviations, as the estimate itself says. Nothing recorded the truth."
        )
    return (
        f"{way}; errors are the estimate less the truth, bands and ellipses three standard deviations, as the estimate "
        "itself says, of what has come since that beginning."
    )
