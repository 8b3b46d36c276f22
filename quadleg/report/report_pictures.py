"""Which pictures a report has, and what each shows in words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from io import BytesIO

from matplotlib.figure import Figure

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.dynamics.servo_heat import UNKNOWN
from quadleg.plotting.panels import PNG_DPI
from quadleg.report.report_body_plots import pose, speed
from quadleg.report.report_joint_plots import joints, power, temperature, tracking_error
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
    return [
        ReportPicture(entry.draw.__name__, entry.heading, entry.about(analysis), partial(entry.draw, analysis))
        for entry in _PICTURES
        if entry.has_data(analysis)
    ]


@dataclass(frozen=True)
class _Entry:
    """A picture that a report may have: how it is drawn, when there is data for it, and its words."""

    draw: Callable[[RecordingAnalysis], Figure]
    heading: str
    has_data: Callable[[RecordingAnalysis], bool]
    about: Callable[[RecordingAnalysis], str]


def _has_states(analysis: RecordingAnalysis) -> bool:
    body = analysis.body
    asked = body.pose_setpoint is not None or body.speed_setpoint is not None
    return bool(analysis.states.watchdog or body.walks or asked)


def _has_pose(analysis: RecordingAnalysis) -> bool:
    body = analysis.body
    return any(each is not None for each in (body.pose_setpoint, body.pose_reached, body.estimate))


def _has_speed(analysis: RecordingAnalysis) -> bool:
    body = analysis.body
    return body.speed_setpoint is not None or any(map(body.speed, ("planned_feet", "odom", "truth/odom")))


def _has_power(analysis: RecordingAnalysis) -> bool:
    return analysis.joints.torques is not None or bool(analysis.panels)


def _time_line_about(_: RecordingAnalysis) -> str:
    return (
        "What the robot was doing: the watchdog decides, servo_output carries out. The numbers are those of the events "
        "in the table below."
    )


def _pose_about(analysis: RecordingAnalysis) -> str:
    return (
        "The body in the frame on the ground between its feet: height above the ground, ahead, to the left, and its "
        f"turns. “By the joints” is worked out from the joint angles, while it stands. {_angles(analysis)}"
    )


def _speed_about(analysis: RecordingAnalysis) -> str:
    return (
        "The gait plans what is asked for within its limits. Estimate and truth are means over "
        f"{analysis.body.longest_stride:.2g} s, a stride, in which a body swings to and fro."
    )


def _joints_about(analysis: RecordingAnalysis) -> str:
    commanded = analysis.joints.commanded is not None
    shown = "what it was commanded (pale) and its angle (in colour)" if commanded else "its angle"
    limits = ", with the limits of the robot file" if analysis.robot else ""
    return f"Each joint: {shown}{limits}. {_angles(analysis)}"


def _tracking_about(analysis: RecordingAnalysis) -> str:
    return (
        "How far each joint was from the last command: a servo's lag, and how far it gave way under load. The first "
        f"pulses are left out, since a joint then comes from wherever a hand put it. {_angles(analysis)}"
    )


def _gait_about(_: RecordingAnalysis) -> str:
    return (
        "The fastest strides of the longest walk in each gait. Upper bars: the foot is on the ground by the plan; "
        "lower, pale bars: it carries weight, as the state estimator sees it, which leaves out a foot that slips."
    )


def _power_about(_: RecordingAnalysis) -> str:
    return (
        "What the servos had to give, against what they and their supply can. A hobby servo that holds more than half "
        "its stall torque for long gets hot."
    )


def _temperature_about(_: RecordingAnalysis) -> str:
    return (
        "The hottest servo of each leg, by the watchdog's model of its current. Estimated, unverified: nothing "
        f"measures it. Each servo begins at {UNKNOWN:.0f} °C, since what it did before is not known."
    )


def _timing_about(_: RecordingAnalysis) -> str:
    return (
        "How evenly joint states came, how long a frame took from the tick that began it to the board, and how many "
        "frames were not complete in time."
    )


def _angles(analysis: RecordingAnalysis) -> str:
    if analysis.angle_source == MODELLED:
        return "Joint angles are modelled from the commands: nothing measured them, so they cannot show a servo's lag."
    return (
        f"Joint angles are {analysis.angle_source}."
        if analysis.angle_source
        else "The recording does not say how joint angles came about."
    )


def _path_about(analysis: RecordingAnalysis) -> str:
    way = "The way of the body over the ground, with the sway of the gait, seen from where it first stood"
    if analysis.signals.get("truth/odom") is None:
        return (
            f"{way}. Ellipses are three standard deviations, as the estimate itself says. Nothing recorded the truth."
        )
    return (
        f"{way}; errors are the estimate less the truth, bands and ellipses three standard deviations, as the estimate "
        "itself says, of what has come since that beginning."
    )


_PICTURES = (
    _Entry(time_line, "Time line", _has_states, _time_line_about),
    _Entry(pose, "Body pose: asked and done", _has_pose, _pose_about),
    _Entry(speed, "Walking: asked, planned and done", _has_speed, _speed_about),
    _Entry(joints, "Joint angles", lambda _: True, _joints_about),
    _Entry(tracking_error, "Tracking error", lambda a: a.joints.tracking is not None, _tracking_about),
    _Entry(gait, "Gait", lambda a: bool(a.body.walks), _gait_about),
    _Entry(path, "Path from above, and the estimate", lambda a: a.body.estimate is not None, _path_about),
    _Entry(power, "Torque, current and voltage", _has_power, _power_about),
    _Entry(temperature, "Servo temperatures, estimated", lambda a: a.temperatures is not None, _temperature_about),
    _Entry(timing, "Timing", lambda a: len(a.joints) > 1, _timing_about),
)
