"""Robot -> URDF: links, joints, inertias, and shapes without meshes.

A leg is `<leg>_abductor`, `<leg>_upper`, `<leg>_lower` and, at the centre of the foot sphere, `<leg>_foot`,
whose mass is in the lower leg: a physics engine must not make one up from its sphere. To collide with, the tubes of
abductor and upper leg have round ends, and that of the lower leg is no thicker than the foot, which alone stands on the
ground: see kinematics/ground_clearance.py.
Masses are spread evenly over solid boxes, cylinders and spheres, whose inertias any mechanics text has;
test_urdf.py finds the same by adding up small pieces.
"""

from __future__ import annotations

from hashlib import sha256
from math import hypot, pi
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from quadleg.geometry.vectors import Vector
from quadleg.robot.colours import BODY, LEG, rgb
from quadleg.robot.model import FixedFrame, Joint, Leg, RobotModel

_ORIGIN = _LEVEL = (0.0, 0.0, 0.0)
_ALONG_Y = (pi / 2, 0.0, 0.0)  # a URDF cylinder lies along its z

# Radius of the solid sphere that stands for whatever is fixed at a frame (common practice, no source).
_FRAME_RADIUS = 0.01


def fingerprint(description: str) -> str:
    """Sixteen digits that two robots share only where their URDF, the `description`, is the same."""
    return sha256(description.encode()).hexdigest()[:16]


def urdf(robot: RobotModel) -> str:
    """The robot as URDF, root `base_link`, without prefix: robot_state_publisher adds `frame_prefix`.

    A joint's effort is the stall torque and its velocity the no-load speed at the supply's voltage: of a
    brushed motor both go with it.
    """
    root = Element("robot", name=robot.name)
    for name, colour in {"body": BODY, **LEG}.items():
        material = SubElement(root, "material", name=name)
        SubElement(material, "color", rgba=_numbers(*rgb(colour), 1.0))
    _add_base(root, robot)
    for frame in robot.frames:
        _add_frame(root, frame)
    for leg in robot.legs:
        _add_leg(root, robot, leg)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def box_inertia(mass: float, size: Vector) -> Vector:
    """Principal moments Ixx, Iyy, Izz in kg·m² of a solid box: m (b² + c²) / 12."""
    a, b, c = (side * side for side in size)
    return mass * (b + c) / 12, mass * (a + c) / 12, mass * (a + b) / 12


def cylinder_inertia(mass: float, radius: float, length: float) -> Vector:
    """Principal moments in kg·m² of a solid cylinder along z: m (3 r² + l²) / 12 twice, m r² / 2."""
    across = mass * (3 * radius * radius + length * length) / 12
    return across, across, mass * radius * radius / 2


def sphere_inertia(mass: float, radius: float) -> Vector:
    """Principal moments in kg·m² of a solid sphere: 2 m r² / 5."""
    moment = 2 * mass * radius * radius / 5
    return moment, moment, moment


def _add_base(root: Element, robot: RobotModel) -> None:
    link = SubElement(root, "link", name="base_link")
    # The frames are links of their own, and what is fixed there was weighed with the body.
    mass = robot.masses.body - sum(frame.mass for frame in robot.frames)
    _add_inertial(link, mass, robot.body.centre, _LEVEL, box_inertia(mass, robot.body.size))
    _add_shape(link, "body", robot.body.centre, _LEVEL, "box", size=_numbers(*robot.body.size))


def _add_frame(root: Element, frame: FixedFrame) -> None:
    link = SubElement(root, "link", name=frame.name)
    if frame.mass:
        _add_inertial(link, frame.mass, _ORIGIN, _LEVEL, sphere_inertia(frame.mass, _FRAME_RADIUS))
    name, child = f"{frame.name}_joint", frame.name
    _add_joint(root, name, "fixed", parent="base_link", child=child, place=frame.position, rpy=frame.rpy)


def _add_leg(root: Element, robot: RobotModel, leg: Leg) -> None:
    abductor, upper, lower, foot = (f"{leg.name}_{link}" for link in ("abductor", "upper", "lower", "foot"))
    sideways = (0.0, leg.hip_offset, 0.0)
    knee, sole = (0.0, 0.0, -leg.upper_length), (0.0, 0.0, -leg.lower_length)
    thin = min(leg.link_radius, leg.foot_radius)
    _add_tube(root, abductor, leg, mass=robot.masses.abductor, end=sideways, rpy=_ALONG_Y, round_ends=True)
    _add_tube(root, upper, leg, mass=robot.masses.upper, end=knee, rpy=_LEVEL, round_ends=True)
    _add_tube(root, lower, leg, mass=robot.masses.lower, end=sole, rpy=_LEVEL, collides=thin)
    link = SubElement(root, "link", name=foot)
    _add_shape(link, leg.name, _ORIGIN, _LEVEL, "sphere", radius=_numbers(leg.foot_radius))

    first, second, third = leg.joints
    _add_revolute(root, robot, first, parent="base_link", child=abductor, place=leg.hip, axis="1 0 0")
    _add_revolute(root, robot, second, parent=abductor, child=upper, place=sideways, axis="0 1 0")
    _add_revolute(root, robot, third, parent=upper, child=lower, place=knee, axis="0 1 0")
    _add_joint(root, f"{foot}_joint", "fixed", parent=lower, child=foot, place=sole)


def _add_tube(
    root: Element,
    name: str,
    leg: Leg,
    *,
    mass: float,
    end: Vector,
    rpy: Vector,
    round_ends: bool = False,
    collides: float | None = None,
) -> None:
    """A link that is a cylinder from its own origin to `end`, along y or z. It collides with the radius `collides`."""
    link = SubElement(root, "link", name=name)
    x, y, z = end
    middle, length = (x / 2, y / 2, z / 2), hypot(x, y, z)
    across, _, along = cylinder_inertia(mass, leg.link_radius, length)
    # Written in the link's own axes: some readers pass over the turn of an inertia that is diagonal.
    moments = (across, along, across) if y else (across, across, along)
    _add_inertial(link, mass, middle, _LEVEL, moments)
    thick, thin = _numbers(leg.link_radius), _numbers(collides or leg.link_radius)
    _add_part(link, "visual", leg.name, middle, rpy, "cylinder", radius=thick, length=_numbers(length))
    _add_part(link, "collision", None, middle, rpy, "cylinder", radius=thin, length=_numbers(length))
    for place in (_ORIGIN, end) if round_ends else ():
        _add_part(link, "collision", None, place, _LEVEL, "sphere", radius=thick)


def _add_inertial(link: Element, mass: float, middle: Vector, rpy: Vector, moments: Vector) -> None:
    inertial = SubElement(link, "inertial")
    SubElement(inertial, "origin", xyz=_numbers(*middle), rpy=_numbers(*rpy))
    SubElement(inertial, "mass", value=_numbers(mass))
    ixx, iyy, izz = (_numbers(moment) for moment in moments)
    SubElement(inertial, "inertia", ixx=ixx, ixy="0", ixz="0", iyy=iyy, iyz="0", izz=izz)


def _add_shape(link: Element, material: str, middle: Vector, rpy: Vector, shape: str, **size: str) -> None:
    """The same shape to see and to collide with."""
    _add_part(link, "visual", material, middle, rpy, shape, **size)
    _add_part(link, "collision", None, middle, rpy, shape, **size)


def _add_part(
    link: Element, kind: str, material: str | None, middle: Vector, rpy: Vector, shape: str, **size: str
) -> None:
    part = SubElement(link, kind)
    SubElement(part, "origin", xyz=_numbers(*middle), rpy=_numbers(*rpy))
    SubElement(SubElement(part, "geometry"), shape, size)
    if material:
        SubElement(part, "material", name=material)


def _add_revolute(
    root: Element, robot: RobotModel, joint: Joint, *, parent: str, child: str, place: Vector, axis: str
) -> None:
    element = _add_joint(root, joint.name, "revolute", parent=parent, child=child, place=place)
    SubElement(element, "axis", xyz=axis)
    SubElement(
        element,
        "limit",
        lower=_numbers(joint.lower),
        upper=_numbers(joint.upper),
        effort=_numbers(robot.stall_torque(joint)),
        velocity=_numbers(robot.no_load_speed(joint)),
    )


def _add_joint(
    root: Element, name: str, kind: str, *, parent: str, child: str, place: Vector, rpy: Vector = _LEVEL
) -> Element:
    joint = SubElement(root, "joint", name=name, type=kind)
    SubElement(joint, "origin", xyz=_numbers(*place), rpy=_numbers(*rpy))
    SubElement(joint, "parent", link=parent)
    SubElement(joint, "child", link=child)
    return joint


def _numbers(*values: float) -> str:
    # Twelve digits keep foot positions to 1e-11 m and leave out the rounding noise of conversions.
    return " ".join(f"{value:.12g}" for value in values)
