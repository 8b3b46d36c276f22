"""Whether a body pose asked for is reached, by what base_motion and joint_states say; without ROS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import inf, radians

from quadleg.client.override_watch import TELEOP_TARGET
from quadleg.client.results import pose_difference
from quadleg.client.snapshot import WATCHDOG, Snapshot
from quadleg.errors import NotReached, Overridden, Refused
from quadleg.geometry.registration import fit_pose
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.safety.deadlines import HOLD_TIME
from quadleg.safety.reason_codes import FollowingCode

SHORTFALL_PATIENCE = 1.0  # s: unverified; what passes sooner, as a lag on a busy computer, is in the result only
HOLD_PATIENCE = HOLD_TIME + 1.0  # s: a hold for missing frames goes on or lowers before that
# m between the planned pose and the joints' pose: under load servos give way, some 3 mm in physics.
POSITION_TOLERANCE = 0.006
TURN_TOLERANCE = radians(1.0)


def judge_state(now: Snapshot, time: float) -> None:
    """Raise NotReached unless the robot is active; a hold may end by itself, so it is given its time."""
    held = now.state == "hold" and time - now.state_since < HOLD_PATIENCE
    if now.state != "active" and not held:
        raise NotReached(now.robot)


class FollowingJudge:
    """Whether the watchdog says that the body does not follow its commands. `shortfall` is the last such report, with
    code, where and figure; empty where there was none.
    """

    def __init__(self) -> None:
        self.shortfall = ""
        self._since = inf

    def judge(self, now: Snapshot, time: float) -> None:
        """Raise NotReached where the body has not followed for a while; the robot may go on after a short lag."""
        watchdog = now.codes(WATCHDOG)
        code = watchdog.get("following", FollowingCode.FOLLOWS.value)
        if code == FollowingCode.FOLLOWS.value:
            self._since = inf
            return
        where, figure = watchdog.get("following_where", ""), watchdog.get("following_figure", "")
        self.shortfall = ", ".join(filter(None, (code.replace("_", " "), where, figure)))
        self._since = min(self._since, time)
        if time - self._since > SHORTFALL_PATIENCE:
            raise NotReached(f"the body does not follow its commands ({self.shortfall}): {now.robot}")


class PoseRequest:
    """One base target with its `stamp` in ns, and what becomes of it."""

    def __init__(self, stamp: int) -> None:
        self._stamp = str(stamp)
        self._was_taken = False
        self.following = FollowingJudge()

    def taken(self, now: Snapshot) -> bool:
        """Whether base_motion follows the target. Raises Refused, and Overridden where it follows another by now."""
        said = now.values("base_motion")
        if said.get("refused_stamp") == self._stamp:
            raise Refused(now.message("base_motion"))
        if said.get("asker") == TELEOP_TARGET:
            raise Overridden("someone poses the body on teleop/base_target, which counts first; this pose has ended")
        if said.get("target_stamp") == self._stamp:
            self._was_taken = True
        elif self._was_taken and now.state == "active":
            raise Overridden("another base target came after this one, and the body follows that")
        return self._was_taken

    def arrived(self, now: Snapshot, time: float) -> Pose | None:
        """The planned pose once the plan has arrived. Raises NotReached, Refused or Overridden."""
        judge_state(now, time)
        self.following.judge(now, time)
        said = now.values("base_motion")
        if not self.taken(now) or said.get("target_stamp") != self._stamp:
            return None
        if said.get("motion") == "stopped":
            raise NotReached(now.message("base_motion"))
        return pose_from_words(said.get("planned", "")) if said.get("motion") == "arrived" else None

    def reached(self, now: Snapshot, time: float, model: RobotModel) -> bool:
        """Whether the joints stand still by the planned pose. Raises NotReached, Refused or Overridden."""
        # In a hold after the plan has arrived, the plan goes back to where the servos are, and later on from there.
        planned = self.arrived(now, time)
        if planned is None or len(now.angles) < len(JOINT_NAMES):
            return False
        shift, turn = pose_difference(planned, over_feet(model, now.angles))
        return now.still and shift < POSITION_TOLERANCE and turn < TURN_TOLERANCE


def over_feet(model: RobotModel, angles: Mapping[str, float]) -> Pose:
    """The body's pose over its standing feet, with the joints at `angles` (rad)."""
    feet = all_forward(model, [angles[name] for name in JOINT_NAMES])
    return fit_pose(feet, model.standing.feet)


def pose_from_words(text: str) -> Pose | None:
    """The pose that base_motion's diagnostics say: x y z (m) and roll pitch yaw (rad); None for other text."""
    try:
        axes: Sequence[float] = [float(word) for word in text.split()]
        return Pose.from_rpy(*axes)
    except (ValueError, TypeError):
        return None
