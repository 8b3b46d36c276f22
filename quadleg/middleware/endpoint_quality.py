"""The quality of service of a topic's publishers: to hear them all, and as a recording tells of it."""

from __future__ import annotations

from collections.abc import Sequence

from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy

from quadleg.middleware.interface import Endpoint


def is_latched(publishers: Sequence[Endpoint]) -> bool:
    """Whether all give their last message to a subscription that comes later."""
    return all(p.qos_profile.durability == DurabilityPolicy.TRANSIENT_LOCAL for p in publishers)


def quality_for(publishers: Sequence[Endpoint], depth: int) -> QoSProfile:
    """The best quality that is compatible with all publishers, with room for `depth` messages."""
    reliable = all(p.qos_profile.reliability == ReliabilityPolicy.RELIABLE for p in publishers)
    return QoSProfile(
        depth=depth,
        durability=DurabilityPolicy.TRANSIENT_LOCAL if is_latched(publishers) else DurabilityPolicy.VOLATILE,
        reliability=ReliabilityPolicy.RELIABLE if reliable else ReliabilityPolicy.BEST_EFFORT,
    )


def quality_in_yaml(qos: QoSProfile) -> str:
    """A quality of service as rosbag2 has it in the metadata of a channel, to publish it alike when it is played."""
    reliability = "reliable" if qos.reliability == ReliabilityPolicy.RELIABLE else "best_effort"
    durability = "transient_local" if qos.durability == DurabilityPolicy.TRANSIENT_LOCAL else "volatile"
    return (
        f"- history: keep_last\n  depth: {qos.depth or 1}\n  reliability: {reliability}\n  durability: {durability}\n"
        "  deadline: {sec: 9223372036, nsec: 854775807}\n  lifespan: {sec: 9223372036, nsec: 854775807}\n"
        "  liveliness: automatic\n  liveliness_lease_duration: {sec: 9223372036, nsec: 854775807}\n"
        "  avoid_ros_namespace_conventions: false\n"
    )
