"""What an Imu message says of the body's tilt, for the nodes that hear it (REP-145)."""

from __future__ import annotations

from sensor_msgs.msg import Imu

from quadleg.estimation.tilt import Tilt


def tilt_of(tilt: Tilt, message: Imu, now: float) -> float | None:
    """The tilt in rad by `tilt`, at `now` s of a steady clock; None where the message says nothing of it."""
    # A first covariance of -1 says that the quantity is not measured.
    if message.orientation_covariance[0] != -1:
        q = message.orientation
        return tilt.from_orientation((q.w, q.x, q.y, q.z))
    if message.linear_acceleration_covariance[0] != -1:
        a = message.linear_acceleration
        return tilt.from_acceleration((a.x, a.y, a.z), now)
    return None
