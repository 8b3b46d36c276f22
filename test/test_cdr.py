"""Messages read many at once: equal to what other implementations of CDR and of ROS 2 definitions make of them.

Compared with `rosbags` and `mcap_ros2`, which are both independent of ROS and of each other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from ros_messages import MESSAGE, STORE, definition, header, joint_state

from quadleg.errors import MessageError, RecordingError
from quadleg.recording.cdr import MOST_SHAPES, Layout, rows_of
from quadleg.recording.message_decoder import MessageDecoder
from quadleg.recording.message_fields import definitions
from quadleg.recording.text_messages import DIAGNOSTIC_ARRAY, diagnostics_decoder, text_decoder

finite = st.floats(allow_nan=False, allow_infinity=False)
words = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=9)


@given(st.lists(st.tuples(words, st.lists(st.tuples(words, finite), max_size=4)), min_size=1, max_size=12))
def test_joint_states_of_any_shape_are_read_as_they_were_written(
    said: list[tuple[str, list[tuple[str, float]]]],
) -> None:
    kind = "sensor_msgs/msg/JointState"
    data = [
        joint_state(frame, [name for name, _ in joints], [x for _, x in joints], [-x for _, x in joints])
        for frame, joints in said
    ]
    seen: dict[int, Any] = {}
    for rows in rows_of(kind, definition(kind), data):
        for k, number in enumerate(rows.numbers):
            position = rows.values("position")[k].tolist() if rows.has("position") else []
            effort = rows.values("effort")[k].tolist() if rows.has("effort") else []
            seen[number] = (rows.text("header.frame_id"), rows.texts("name"), position, effort)
            assert rows.values("header.stamp.sec")[k] == 7
            assert not rows.has("velocity")
    for number, (frame, joints) in enumerate(said):
        numbers = [x for _, x in joints]
        assert seen[number] == (frame, [name for name, _ in joints], numbers, [-x for x in numbers])


@settings(max_examples=examples(30))
@given(st.lists(st.floats(width=32, allow_nan=False), max_size=3), st.booleans(), st.integers(0, 255))
def test_numbers_of_every_size_stand_where_they_are_aligned_to(cells: list[float], present: bool, health: int) -> None:
    kind = "sensor_msgs/msg/BatteryState"
    message = MESSAGE[kind](
        **dict.fromkeys(("voltage", "temperature", "current", "charge", "capacity", "design_capacity"), 0.5),
        header=header("x"),
        percentage=1.5,
        power_supply_status=1,
        power_supply_health=health,
        power_supply_technology=3,
        present=present,
        cell_voltage=np.array(cells, np.float32),
        cell_temperature=np.array([2.5], np.float32),
        location="here",
        serial_number="",
    )
    (rows,) = rows_of(kind, definition(kind), [bytes(STORE.serialize_cdr(message, kind))] * 3)
    assert rows.values("percentage").tolist() == [1.5] * 3
    assert rows.values("present").tolist() == [present] * 3
    assert rows.values("power_supply_health").tolist() == [health] * 3
    assert rows.values("cell_temperature").tolist() == [[2.5]] * 3
    assert rows.text("location") == "here"
    if cells:
        assert rows.values("cell_voltage")[1].tolist() == cells


def test_covariances_and_nested_messages_have_their_places() -> None:
    kind = "nav_msgs/msg/Odometry"
    make = MESSAGE
    vector = make["geometry_msgs/msg/Vector3"]
    pose = make["geometry_msgs/msg/Pose"](
        position=make["geometry_msgs/msg/Point"](x=1.0, y=2.0, z=3.0),
        orientation=make["geometry_msgs/msg/Quaternion"](x=0.1, y=0.2, z=0.3, w=0.9),
    )
    twist = make["geometry_msgs/msg/Twist"](linear=vector(x=4.0, y=5.0, z=6.0), angular=vector(x=7.0, y=8.0, z=9.0))
    message = make[kind](
        header=header("odom"),
        child_frame_id="base_link",
        pose=make["geometry_msgs/msg/PoseWithCovariance"](pose=pose, covariance=np.arange(36.0)),
        twist=make["geometry_msgs/msg/TwistWithCovariance"](twist=twist, covariance=-np.arange(36.0)),
    )
    (rows,) = rows_of(kind, definition(kind), [bytes(STORE.serialize_cdr(message, kind))])
    assert rows.vector("pose.pose.position").tolist() == [[1, 2, 3]]
    assert rows.vector("pose.pose.orientation", "wxyz").tolist() == [[0.9, 0.1, 0.2, 0.3]]
    assert rows.vector("twist.twist.angular").tolist() == [[7, 8, 9]]
    assert rows.values("pose.covariance")[0].tolist() == list(range(36))
    assert rows.values("twist.covariance")[0, 35] == -35


def test_both_orders_of_bytes_are_read() -> None:
    kind = "geometry_msgs/msg/Vector3"
    message = MESSAGE[kind](x=1.25, y=-2.0, z=1e300)
    for little in (True, False):
        data = bytes(STORE.serialize_cdr(message, kind, little_endian=little))
        (rows,) = rows_of(kind, definition(kind), [data])
        assert [rows.values(axis)[0] for axis in "xyz"] == [1.25, -2.0, 1e300]


@given(st.binary(max_size=60))
def test_bytes_of_another_kind_are_left_out(data: bytes) -> None:
    kind = "sensor_msgs/msg/JointState"
    good = joint_state("", ["a"], [1.0], [])
    seen = [number for rows in rows_of(kind, definition(kind), [data, good, data]) for number in rows.numbers]
    assert 1 in seen


def test_a_message_that_is_cut_is_no_message() -> None:
    kind = "sensor_msgs/msg/JointState"
    good = joint_state("frame", ["a", "b"], [1.0, 2.0], [3.0, 4.0])
    for length in range(len(good)):
        with pytest.raises(RecordingError):
            Layout(kind, definition(kind), good[:length])


def test_definitions_with_constants_bounds_and_comments_are_understood() -> None:
    text = "uint8 A=1\nstring<=5 name # words\nfloat64[<=3] few\nfloat32[2] pair\nother_msgs/Thing[] things\n" + (
        "=" * 80 + "\nMSG: other_msgs/Thing\nint16 n 5\n"
    )
    found = definitions("my_msgs/msg/All", text)
    assert [(field.name, field.type, field.count) for field in found["my_msgs/All"]] == [
        ("name", "string", None),
        ("few", "float64", 0),
        ("pair", "float32", 2),
        ("things", "other_msgs/Thing", 0),
    ]
    assert found["other_msgs/Thing"][0].type == "int16"


RULE = "=" * 80
LAUGHS = "a/L0 x\n" + "".join(f"{RULE}\nMSG: a/L{k}\n" + f"a/L{k + 1} x\n" * 9 for k in range(12))


ENDLESS = [
    ("a/Loop", f"Loop again\n{RULE}\nMSG: a/Loop\nLoop again\n"),
    ("a/Loop", "a/Loop[] again\n"),
    ("a/Laughs", LAUGHS + f"{RULE}\nMSG: a/L12\n"),
    ("a/Nothings", f"Nothing[999999999] x\n{RULE}\nMSG: a/Nothing\n"),
    ("a/Lists", f"Nothing[] x\nNothing[] y\n{RULE}\nMSG: a/Nothing\nNone[9000] z\n{RULE}\nMSG: a/None\n"),
    ("a/Numbers", "float64[999999999999] x\n"),
    ("a/Numbers", f"float64[{'9' * 5000}] x\n"),
    ("a/Unknown", "b/Missing x\n"),
    ("Unnamed", "float64 x\n"),
    ("", ""),
]


@pytest.mark.parametrize(("name", "text"), ENDLESS)
def test_definitions_without_end_or_sense_are_refused(name: str, text: str) -> None:
    with pytest.raises(RecordingError):
        Layout(name, text, b"\0\1\0\0" + b"\5\0\0\0" * 400)


def test_messages_of_too_many_shapes_are_left_out_and_the_rest_is_read() -> None:
    kind = "std_msgs/msg/Header"
    data = [bytes(STORE.serialize_cdr(header(f"frame {k:05}"), kind)) for k in range(2 * MOST_SHAPES)]
    read = sum(len(rows.numbers) for rows in rows_of(kind, definition(kind), data))
    assert read == MOST_SHAPES


def test_what_is_no_single_number_is_not_taken_for_one() -> None:
    data = b"\0\1\0\0" + np.zeros(9).tobytes()
    (rows,) = rows_of("a/Odd", "float64[3] x\nfloat64 y\nfloat64[5] z\n", [data])
    assert rows.values("x", 3).shape == (1, 3)
    for read in (lambda: rows.single("x"), lambda: rows.values("z", 36), lambda: rows.vector("x")):
        with pytest.raises(KeyError):
            read()


# One message at a time

pairs = st.lists(st.tuples(words, words), max_size=4)
statuses = st.lists(st.tuples(st.integers(0, 127), words, words, words, pairs), max_size=4)


def diagnostic_array(said: list[tuple[int, str, str, str, list[tuple[str, str]]]], little: bool = True) -> bytes:
    status, pair = MESSAGE["diagnostic_msgs/msg/DiagnosticStatus"], MESSAGE["diagnostic_msgs/msg/KeyValue"]
    message = MESSAGE[DIAGNOSTIC_ARRAY](
        header=header("x"),
        status=[
            status(level=level, name=name, message=text, hardware_id=hardware, values=[pair(*own) for own in values])
            for level, name, text, hardware, values in said
        ],
    )
    return bytes(STORE.serialize_cdr(message, DIAGNOSTIC_ARRAY, little_endian=little))


@given(statuses, st.booleans())
def test_diagnoses_are_read_as_they_were_written(said: list[Any], little: bool) -> None:
    decode = diagnostics_decoder(definition(DIAGNOSTIC_ARRAY))
    found = decode(3.0, diagnostic_array(said, little))
    assert [(each.time, each.level, each.message, dict(each.values)) for each in found] == [
        (3.0, level, text, dict(values)) for level, _, text, _, values in said
    ]


@given(statuses.filter(bool), st.data())
def test_diagnoses_that_are_cut_or_damaged_are_no_others(said: list[Any], draw: st.DataObject) -> None:
    decode, data = diagnostics_decoder(definition(DIAGNOSTIC_ARRAY)), bytearray(diagnostic_array(said))
    with pytest.raises(MessageError):
        decode(0.0, bytes(data[: draw.draw(st.integers(0, len(data) - 1))]))
    data[draw.draw(st.integers(0, len(data) - 1))] = draw.draw(st.integers(0, 255))
    try:
        found = decode(0.0, bytes(data))
    except MessageError:
        return
    for each in found:
        assert all(isinstance(text, str) for pair in each.values.items() for text in pair)


@given(words, st.lists(words, max_size=4), st.lists(finite, max_size=5))
def test_a_decoder_reads_what_rows_read(frame: str, names: list[str], position: list[float]) -> None:
    kind = "sensor_msgs/msg/JointState"
    found = MessageDecoder(kind, definition(kind), {}, deferred=["name"])(joint_state(frame, names, position, [1.5]))
    assert found["header"]["stamp"] == {"sec": 7, "nanosec": 9}
    assert (found["header"]["frame_id"], found["name"]()) == (frame, names)
    assert (list(found["position"]), found["velocity"], found["effort"]) == (position, (), (1.5,))


@pytest.mark.parametrize(("name", "text"), ENDLESS)
def test_decoders_of_definitions_without_end_or_sense_are_refused(name: str, text: str) -> None:
    with pytest.raises(MessageError):
        MessageDecoder(name, text, {})(b"\0\1\0\0" + b"\5\0\0\0" * 400)


@pytest.mark.parametrize("text", ["string words\n", "float64 data\n", "string[] data\n", "string data\nint8 data\n"])
def test_a_definition_without_what_is_needed_is_refused(text: str) -> None:
    with pytest.raises(MessageError, match="without data"):
        text_decoder(text)
