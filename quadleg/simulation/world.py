"""A world with one robot in it: MuJoCo's, made from the robot file, moved by the pulses of its servos."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import acos, ceil, cos, radians, sqrt

import mujoco
import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.geometry.arrays import Array
from quadleg.geometry.rotations import Quaternion, quaternion_product
from quadleg.geometry.transforms import Pose, compose
from quadleg.geometry.vectors import Vector, dot
from quadleg.kinematics.body_pose import all_forward, stance_angles
from quadleg.kinematics.ground_clearance import GroundClearance
from quadleg.robot.model import JOINT_NAMES, LEGS, Angles, FixedFrame, RobotModel
from quadleg.robot.urdf import urdf
from quadleg.servos.simulated_board import placed_by_hand
from quadleg.simulation.ground import Ground, Patches, Pushes
from quadleg.simulation.joint_sensors import JointSensors
from quadleg.simulation.physics_servos import PhysicsServos
from quadleg.simulation.simulated_imu import RATE, ImuSample, SimulatedImu
from quadleg.simulation.true_robot import shift_centre, true_ground, true_robot
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

LONGEST_STEP = 1 / 300  # s: walks end within some per cent of where they do at 0.5 ms
CONTACT_TIME = 0.01  # s, of a foot's contact with the ground: that of hard rubber, and no shorter than two steps
SOFTER_CONTACT = 0.9  # of a foot softer than that: the share of a contact's force (MuJoCo's solimp) at any depth
SHAKING = 1.0  # rad/s, mean of the joints, from which the body has all of its vibration (our own choice)
LIES = radians(10)  # a body that leans less lies on its belly, legs or feet; one that leans more has tipped over
IMU_LINK = "imu_link"
_ORIGIN = (0.0, 0.0, 0.0)
_AT_BASE = FixedFrame("base_link", _ORIGIN, _ORIGIN, 0.0)

_Motion = tuple[Quaternion, Vector]  # of the IMU: the body's attitude, and the velocity of the sensor's place


class World:
    """One robot, which begins at rest on its belly at the origin, facing +x, with its servos limp.

    Deterministic by `seed`: it decides where the joints stand at first, the noise and biases of the IMU, and what is
    random about the ground. The IMU is at the robot file's `imu_link`, or at base_link where there is none. `frame` is
    the time of one step in s, `imu_period` that of one sample of the IMU, `imu_frame` the name of its frame and
    `imu_variances` (2, 3) those of gyro and accelerometer without their biases; `imu` has the samples of the last step.
    The robot in it is that of the robot file with a `difference`, which only the world has.
    """

    def __init__(
        self,
        robot: RobotModel,
        ground: Ground | None = None,
        seed: int = 0,
        difference: WorldDifference = NO_DIFFERENCE,
    ) -> None:
        ground = true_ground(ground or Ground(), difference)
        placed = placed_by_hand(robot, stance_angles(robot, robot.resting), seed)
        self._robot = robot = true_robot(robot, difference)
        self._ground = GroundClearance(robot)
        self._highest = ground.roughness + ground.step_height
        self._patches = Patches(ground, seed) if ground.slippery_friction is not None else None
        self._pushes = Pushes(ground, seed)
        self._slope = Pose((0.0, 0.0, 0.0), ground.quaternion)
        self.frame = 1.0 / robot.board.frequency
        self._samples = max(1, round(self.frame * RATE))
        self.imu_period = self.frame / self._samples
        self._steps = ceil(self.imu_period / LONGEST_STEP - 1e-9)
        self._mounting = next((frame for frame in robot.frames if frame.name == IMU_LINK), _AT_BASE)
        self.imu_frame = self._mounting.name
        w, x, y, z = Pose.from_rpy(*_ORIGIN, *self._mounting.rpy).quaternion
        self._to_imu = (w, -x, -y, -z)
        self._imu = SimulatedImu(self.imu_period, seed, difference)
        self.imu_variances = (self._imu.deviation**2).reshape(2, 3)
        self.imu: list[ImuSample] = []
        self.servos = self._servos = PhysicsServos(
            robot, difference
        )  # public for what makes them fail: simulation/faults.py
        self._imu_steps = max(1, round(difference.imu_averaging * self._steps))  # that a sample is the mean of
        self._imu_time = self.imu_period * self._imu_steps / self._steps
        step = self.imu_period / self._steps
        self._latency = round(difference.latency / step)  # steps
        self._waiting: deque[tuple[int, Sequence[float | None]]] = deque()
        self._joint_sensors = JointSensors(difference, self.frame, seed)
        self.model = _model(robot, ground, self._servos, seed, step, difference)
        self.data = mujoco.MjData(self.model)
        self._servos.bind(self.model, self.data)
        _soften(self.model, difference.foot_compliance)
        self._attitude, self._velocities = self.data.qpos[3:7], self.data.qvel[:6]
        self._feet = {self.model.geom(f"{leg}_foot").id: number for number, leg in enumerate(LEGS)}
        self._belly = self.model.geom("base_link").id
        self._pushed = self.data.xfrc_applied[self.model.body("base_link").id, :3]  # N, at the body's centre of mass
        self.data.qpos[3:7] = self._slope.quaternion
        self.put_at_rest(placed)

    # What is done to it

    def step(self, pulses: Sequence[float | None]) -> None:
        """One servo frame with twelve pulses in s, in the order of `JOINT_NAMES`; None: that joint is limp."""
        model, data = self.model, self.data
        self._waiting.append((self._latency, pulses))
        if self._patches:
            for foot in self._feet:
                x, y, _ = data.geom_xpos[foot].tolist()
                model.geom_friction[foot, 0] = self._patches.friction(x, y)
        push = self._pushes.due(data.time)
        if push:
            self.push(push)
        felt, times = [], []
        for _ in range(self._samples):
            self._go(self._steps - self._imu_steps)
            before = self._motion()
            self._go(self._imu_steps)
            felt.append(self._felt(before, self._motion()))
            times.append(data.time)
        self.imu = self._imu.samples(times, felt, self._activity())
        self._servos.note()
        self.measured_angles = self._joint_sensors.read(self.angles)
        self._pushed[:] = 0.0

    def _go(self, steps: int) -> None:
        """So many steps of the physics, the servos taking each pulse when it comes."""
        while steps:
            while self._waiting and self._waiting[0][0] <= 0:
                self._servos.drive(self._waiting.popleft()[1])
            some = min(steps, self._waiting[0][0]) if self._waiting else steps
            mujoco.mj_step(self.model, self.data, some)
            self._waiting = deque((left - some, pulses) for left, pulses in self._waiting)
            steps -= some

    def push(self, impulse: Vector) -> None:
        """Push the body at its centre of mass, in the coming frame, by an impulse (N·s) in the world."""
        self._pushed += np.array(impulse) / self.frame

    def set_friction(self, friction: float) -> None:
        """Make the ground as slippery all over as Coulomb's coefficient says."""
        self._patches = None
        for foot in self._feet:
            self.model.geom_friction[foot, 0] = friction

    def catch_foot(self, leg: int) -> None:
        """Hold the foot of a leg (its number in `LEGS`) where it is from now on."""
        self.model.eq_data[leg, 3:6] = self.data.geom(f"{LEGS[leg]}_foot").xpos
        self.data.eq_active[leg] = True

    def put_at_rest(self, angles: Angles) -> None:
        """A hand puts the robot down where it is, without motion, the joints at twelve angles (rad).

        It then stands on its feet, its knees or its belly, whichever is lowest: leaning as it did, since a hand that
        places the legs leaves the body as it lies, and flat where it leant more than LIES.
        """
        w, x, y, z = self._slope.quaternion
        here = compose(Pose(_ORIGIN, (w, -x, -y, -z)), Pose(*self.pose))
        roll, pitch, yaw = here.rpy
        lean = (roll, pitch) if here.matrix[2][2] > cos(LIES) else (0.0, 0.0)
        leant = Pose.from_rpy(*_ORIGIN, *lean, 0.0)
        high = self._highest - _lowest(self._robot, self._ground, leant, angles)
        put = Pose.from_rpy(here.position[0], here.position[1], high, *lean, yaw)
        pose = compose(self._slope, put)
        self.data.qpos[:7] = (*pose.position, *pose.quaternion)
        self._servos.put(angles)
        self.data.qvel[:] = 0.0
        self._servos.rest()
        self._waiting.clear()
        if self._latency:
            self._servos.drive([None] * len(JOINT_NAMES))  # the hand holds the legs until the first pulses come
        mujoco.mj_forward(self.model, self.data)
        self.measured_angles = self._joint_sensors.begin(self.angles)

    # What is true of it

    @property
    def time(self) -> float:
        """s since the beginning."""
        return float(self.data.time)

    @property
    def angles(self) -> Array:
        """(12,) rad, of the joints. What sensors at the joints say of them is `measured_angles`."""
        return self._servos.turned(self.data.qpos[7:])

    @property
    def rates(self) -> Array:
        """(12,) rad/s, of the joints."""
        return self._servos.turned(self.data.qvel[6:])

    @property
    def pose(self) -> tuple[Vector, Quaternion]:
        """Position (m) and quaternion (w, x, y, z) of base_link in the world."""
        x, y, z, qw, qx, qy, qz = self.data.qpos[:7].tolist()
        return (x, y, z), (qw, qx, qy, qz)

    @property
    def velocity(self) -> Array:
        """(3,) m/s, of base_link's origin in the world."""
        return self.data.qvel[:3].copy()

    @property
    def velocity_in_base(self) -> Vector:
        """(3,) m/s, the same as the body itself has it, in base_link."""
        w, x, y, z = self._attitude.tolist()
        vx, vy, vz = self.data.qvel[:3].tolist()
        return _turned((w, -x, -y, -z), (vx, vy, vz))

    @property
    def turning(self) -> Array:
        """(3,) rad/s, of the body, in base_link."""
        return self.data.qvel[3:6].copy()

    @property
    def tilt(self) -> float:
        """The angle in rad between the body's z axis and the vertical."""
        _, x, y, _ = self._attitude.tolist()
        return acos(max(-1.0, 1.0 - 2.0 * (x * x + y * y)))

    @property
    def fallen(self) -> bool:
        """Whether the body is tipped further than the robot file lets it."""
        return self.tilt > self._robot.tip_angle

    @property
    def belly_down(self) -> bool:
        """Whether the body itself touches the ground."""
        return bool(np.any(self.data.contact.geom == self._belly))

    @property
    def foot_forces(self) -> Array:
        """(4, 3) N, of the ground on each foot, in the world, at the end of the frame."""
        contact, forces = self.data.contact, np.zeros((len(LEGS), 3))
        # A contact's frame has its axes as rows; its normal, the first, goes from the first of its geoms to the second.
        axes = contact.frame.reshape(-1, 3, 3)
        for index, (first, second) in enumerate(contact.geom.tolist()):
            leg = self._feet.get(second, self._feet.get(first))
            if leg is not None:
                row = contact.efc_address[index]
                force = self.data.efc_force[row : row + 3] @ axes[index]
                forces[leg] += force if second in self._feet else -force
        return forces

    @property
    def torques(self) -> Array:
        """(12,) N·m, of the servos' motors, what their own friction takes of it included."""
        return np.array(self._servos.torques)

    @property
    def currents(self) -> Array:
        """(12,) A, that the servos draw."""
        return np.array(self._servos.currents)

    @property
    def voltage(self) -> float:
        """V, of the supply under the servos' load."""
        return self._servos.voltage

    # The inertial sensor

    def _activity(self) -> float:
        """The share of its vibration that the body has, by how fast its joints turn."""
        return min(1.0, float(np.abs(self.data.qvel[6:]).mean()) / SHAKING)

    def _motion(self) -> _Motion:
        (qw, qx, qy, qz), (vx, vy, vz, wx, wy, wz) = self._attitude.tolist(), self._velocities.tolist()
        x, y, z = self._mounting.position
        # The velocity of a point of a turning body: v + ω × r.
        ax, ay, az = _turned((qw, qx, qy, qz), (wy * z - wz * y, wz * x - wx * z, wx * y - wy * x))
        return (qw, qx, qy, qz), (vx + ax, vy + ay, vz + az)

    def _felt(self, before: _Motion, after: _Motion) -> tuple[float, ...]:
        """The mean angular rate and specific force between two motions `_imu_time` apart, in the sensor's frame.

        By how the motion changed: MuJoCo's own accelerometer knows nothing of what its integrator does after it.
        """
        (aw, ax, ay, az), velocity_before = before
        (bw, bx, by, bz), velocity_after = after
        # The turn in the body's frame, whose vector is half of a small rotation's.
        scale = 2.0 / self._imu_time
        _, tx, ty, tz = quaternion_product((aw, -ax, -ay, -az), (bw, bx, by, bz))
        force = [(v1 - v0) / self._imu_time for v0, v1 in zip(velocity_before, velocity_after)]
        half_way = (aw + bw) / 2, -(ax + bx) / 2, -(ay + by) / 2, -(az + bz) / 2
        fx, fy, fz = _turned(half_way, (force[0], force[1], force[2] + STANDARD_GRAVITY))
        return *_turned(self._to_imu, (scale * tx, scale * ty, scale * tz)), *_turned(self._to_imu, (fx, fy, fz))


def _turned(quaternion: Quaternion, vector: Vector) -> Vector:
    """v + 2 w (q × v) + 2 q × (q × v), the vector turned by a unit quaternion."""
    w, qx, qy, qz = quaternion
    x, y, z = vector
    tx, ty, tz = 2 * (qy * z - qz * y), 2 * (qz * x - qx * z), 2 * (qx * y - qy * x)
    return x + w * tx + qy * tz - qz * ty, y + w * ty + qz * tx - qx * tz, z + w * tz + qx * ty - qy * tx


def _soften(model: mujoco.MjModel, compliance: float) -> None:
    """Let the feet give way by so much more (m/N) than by CONTACT_TIME.

    A contact at rest is a spring (MuJoCo, Computation, "Constraint model"): a time constant t and an impedance d make a
    compliance of (1 - d) t² times the inverse of the mass that the foot's link shows at rest.
    """
    if not compliance:
        return
    for leg in LEGS:
        foot = model.geom(f"{leg}_foot")
        mobility = model.body_invweight0[foot.bodyid[0], 0]
        hard = (1.0 - SOFTER_CONTACT) * mobility * CONTACT_TIME**2
        foot.solref[0] = sqrt((hard + compliance) / ((1.0 - SOFTER_CONTACT) * mobility))
        foot.solimp[:2] = SOFTER_CONTACT


def _model(
    robot: RobotModel, ground: Ground, servos: PhysicsServos, seed: int, step: float, difference: WorldDifference
) -> mujoco.MjModel:
    """From the URDF: its links with their inertias, and what touches the ground: body, feet, upper and lower legs.

    Links pass through each other: the watchdog keeps them apart.
    """
    spec = mujoco.MjSpec.from_string(urdf(robot))
    # A foot's mass is in its lower leg.
    spec.compiler.inertiafromgeom = mujoco.mjtInertiaFromGeom.mjINERTIAFROMGEOM_FALSE
    spec.option.timestep = step
    spec.option.gravity = (0.0, 0.0, -STANDARD_GRAVITY)
    spec.option.integrator = mujoco.mjtIntegrator.mjINT_IMPLICITFAST
    spec.option.cone = mujoco.mjtCone.mjCONE_ELLIPTIC
    spec.option.impratio = 10.0  # else a foot that should hold creeps by millimetres a second
    # One robot is one island: to look for more takes time and changes nothing.
    spec.option.disableflags = mujoco.mjtDisableBit.mjDSBL_ISLAND
    if any(difference.centre_of_mass):
        shift_centre(spec, robot, difference)
    base = spec.body("base_link")
    base.add_freejoint()
    for geom in spec.geoms:
        link = geom.parent.name
        tube = geom.type == mujoco.mjtGeom.mjGEOM_CYLINDER
        if not (geom.parent == base or link.endswith("_foot") or (tube and link.endswith(("_upper", "_lower")))):
            spec.delete(geom)
            continue
        geom.name = link
        if tube:
            _round(geom, robot.leg(link.removesuffix("_lower")).foot_radius if link.endswith("_lower") else 0.0)
        geom.contype, geom.conaffinity = 1, 0
        geom.solref = (CONTACT_TIME, 1.0)
        geom.friction = (ground.friction, 0.0, 0.0)
        geom.priority = int(link.endswith("_foot"))  # a foot's friction is set by where it is
    ground.add_to(spec, seed)
    servos.add_to(spec)
    for leg in robot.legs:
        spec.add_equality(
            name=f"{leg.name}_caught",
            type=mujoco.mjtEq.mjEQ_CONNECT,
            objtype=mujoco.mjtObj.mjOBJ_BODY,
            name1=f"{leg.name}_lower",
            name2="world",
            active=False,
            data=[0.0, 0.0, -leg.lower_length, *[0.0] * 9],
        )
    return spec.compile()


def _round(geom: mujoco.MjsGeom, shorter: float) -> None:
    """Make a link's cylinder a capsule, `shorter` (m) at its lower end: where a foot is, the foot alone touches."""
    radius, half = geom.size[:2]
    geom.type = mujoco.mjtGeom.mjGEOM_CAPSULE
    geom.size = (radius, half - shorter / 2, 0.0)
    geom.pos = geom.pos + np.array((0.0, 0.0, shorter / 2))


def _lowest(robot: RobotModel, ground: GroundClearance, leant: Pose, angles: Angles) -> float:
    """How high the lowest part or sole is over base_link (m), the body leaning so."""
    feet = zip(all_forward(robot, angles), robot.legs)
    return min(
        ground.least(leant, angles).height, *(dot(leant.matrix[2], foot) - leg.foot_radius for foot, leg in feet)
    )
