"""The picture of a run: what is drawn is what was given, and no words lie on each other."""

from __future__ import annotations

import struct
from math import degrees, radians

import numpy as np
import pytest
import sample_robots
from figure_boxes import assert_apart, assert_within, axes_of, lines_of

pytest.importorskip("matplotlib")

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex
from matplotlib.patches import Circle, Polygon, Rectangle

from quadleg.analysis.pose_run import RunHistory, Step
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse, stance_angles
from quadleg.plotting.pose_plots import demo_figure
from quadleg.plotting.sheet import WIDTH, save_png, spread
from quadleg.plotting.state_colours import STATES
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINTS, LEGS
from quadleg.safety.state_machine import State

ROBOT = sample_robots.inspector()
FEET = ROBOT.standing.feet


def pose(z: float, x: float = 0, y: float = 0, roll: float = 0, pitch: float = 0, yaw: float = 0) -> Pose:
    """In mm and degrees."""
    return Pose.from_rpy(x / 1000, y / 1000, z / 1000, radians(roll), radians(pitch), radians(yaw))


def step(name: str, start: float, asked: Pose, end: float | None = None) -> Step:
    """A step that reaches what it asks for."""
    end = start + 1 if end is None else end
    return Step(name, start, end, asked, asked, legs_inverse(ROBOT, asked, FEET), "")


def history(*steps: Step) -> RunHistory:
    """Angles at the steps' ends, and every state."""
    return RunHistory(
        [0.0, *(step.end for step in steps)],
        [stance_angles(ROBOT, ROBOT.resting), *(step.angles for step in steps)],
        [(0.1 * number, state) for number, state in enumerate(STATES)],
    )


def demo_like() -> list[Step]:
    """As many steps and words as the demo has."""
    level = pose(150)
    limp = stance_angles(ROBOT, ROBOT.resting)
    steps = [step(name, number, level) for number, name in enumerate(("power up and rise", "lowest", "highest"))]
    steps += [step("roll", 3, pose(150, roll=12)), step("pitch", 4, pose(150, pitch=10))]
    steps += [step("all at once", 5, pose(140, 10, -10, -6, -5, -8))]
    reached = pose(161.3, 6.1, -6.2, -3.8, -3.1, -5.1)
    steps += [Step("out of reach", 6, 7, pose(300), reached, legs_inverse(ROBOT, reached, FEET), "")]
    steps += [step(f"metronome paused {number}", 7 + number, level) for number in range(7)]
    steps += [Step("emergency stop", 14, 14.01, None, None, limp, "pulses off 3 ms after the call")]
    steps += [Step("reset", 14.01, 14.02, None, None, limp, "a hand puts the limp legs back into rest")]
    return [*steps, Step("sit", 14.02, 15, None, None, limp, "lowered, then off")]


def legs_in(axes):
    """The drawn line of each leg, as points (4, 2)."""
    return {line.get_label(): line.get_xydata() for line in axes.lines if line.get_label() in LEGS}


def patches_in(axes, kind):
    return [patch for patch in axes.patches if type(patch) is kind]


def words_in(figure):
    return [text for text in figure.texts + [t for axes in figure.axes for t in axes.texts] if text.get_text()]


def test_file_is_a_png_of_the_figures_size(tmp_path):
    steps = [step("stand", 0, pose(150))]
    save_png(demo_figure(ROBOT, steps, history(*steps)), tmp_path / "picture.png")
    head = (tmp_path / "picture.png").read_bytes()[:24]
    # Signature and IHDR chunk: W3C, PNG Specification (third edition), sections 5.2 and 11.2.1.
    assert head[:8] == b"\x89PNG\r\n\x1a\n"
    figure = demo_figure(ROBOT, steps, history(*steps))
    assert struct.unpack(">II", head[16:]) == (WIDTH, round(figure.get_figheight() * figure.dpi))


@pytest.mark.parametrize("asked", [pose(120), pose(150, 20, -15, 8, -6, 10)])
def test_feet_stand_where_they_stand_on_the_ground(asked):
    steps = [step("a", 0, pose(150)), step("b", 1, asked)]
    figure = demo_figure(ROBOT, steps, history(*steps))
    for view, across in (("side", 0), ("front", 1)):
        axes = axes_of(figure, f"2 {view}")
        feet = [legs_in(axes)[leg][3] for leg in LEGS]
        assert np.allclose(feet, [(foot[across], foot[2]) for foot in FEET], rtol=0, atol=1e-9)
        assert sorted(tuple(circle.center) for circle in patches_in(axes, Circle)) == sorted(map(tuple, feet))
        assert {circle.radius for circle in patches_in(axes, Circle)} == {leg.foot_radius for leg in ROBOT.legs}
        low, high = axes.get_ylim()
        assert low < 0 < min(z for _, z in feet)
        assert high > 0.1


def test_both_views_are_to_one_scale():
    steps = [step("a", 0, pose(150))]
    figure = demo_figure(ROBOT, steps, history(*steps))
    scales = []
    for axes in (axes_of(figure, "1 side"), axes_of(figure, "1 front")):
        box = axes.get_window_extent()
        scales += [box.width / np.ptp(axes.get_xlim()), box.height / np.ptp(axes.get_ylim())]
    assert scales == pytest.approx([scales[0]] * 4)


def test_a_positive_pitch_lowers_the_front_and_a_positive_roll_the_right():
    """Signs after REP-103."""
    steps = [step("pitch", 0, pose(150, pitch=10)), step("roll", 1, pose(150, roll=10))]
    figure = demo_figure(ROBOT, steps, history(*steps))
    side, front = legs_in(axes_of(figure, "1 side")), legs_in(axes_of(figure, "2 front"))
    assert side["front_left"][0, 1] < side["rear_left"][0, 1]
    assert front["front_right"][0, 1] < front["front_left"][0, 1]


def test_body_shows_the_faces_that_the_viewer_sees():
    steps = [step("level", 0, pose(150)), step("all", 1, pose(140, 0, 0, 6, 5, 8))]
    figure = demo_figure(ROBOT, steps, history(*steps))
    (face,) = patches_in(axes_of(figure, "1 side"), Polygon)
    (x, _, z), (length, _, height) = ROBOT.body.centre, ROBOT.body.size
    assert face.get_xy().min(axis=0) == pytest.approx([x - length / 2, 0.150 + z - height / 2])
    assert face.get_xy().max(axis=0) == pytest.approx([x + length / 2, 0.150 + z + height / 2])
    # Turned about all axes, a box shows three faces.
    assert len(patches_in(axes_of(figure, "2 side"), Polygon)) == 3


def test_nose_down_the_viewer_in_front_sees_the_front_and_the_top():
    tilted = pose(150, pitch=10)
    steps = [step("pitch", 0, tilted)]
    figure = demo_figure(ROBOT, steps, history(*steps))
    (x, _, z), (length, _, height) = ROBOT.body.centre, ROBOT.body.size
    rotation = np.array(tilted.matrix)

    def edge(end: int, side: int) -> float:
        return 0.150 + (rotation @ (x + end * length / 2, 0, z + side * height / 2))[2]

    seen = [sorted(np.unique(face.get_xy()[:, 1].round(9))) for face in patches_in(axes_of(figure, "1 front"), Polygon)]
    assert sorted(seen) == [
        pytest.approx([edge(1, -1), edge(1, 1)]),
        pytest.approx([edge(1, 1), edge(-1, 1)]),
    ]


def test_without_a_pose_reached_the_legs_tell_where_the_body_is():
    known = step("known", 0, pose(140, x=10))
    unknown = Step("unknown", 1, 2, known.asked, None, known.angles, "")
    figure = demo_figure(ROBOT, [known, unknown], history(known, unknown))
    for leg, line in legs_in(axes_of(figure, "1 side")).items():
        assert np.allclose(line, legs_in(axes_of(figure, "2 side"))[leg], rtol=0, atol=1e-9)
    assert "?" in [text.get_text() for text in figure.texts]


def test_near_legs_have_their_own_hue():
    steps = [step("a", 0, pose(150))]
    figure = demo_figure(ROBOT, steps, history(*steps))
    for view, near in (("side", "right"), ("front", "front")):
        for line in axes_of(figure, f"1 {view}").lines:
            if line.get_label() in LEGS:
                assert (to_hex(line.get_color()) == LEG[line.get_label()]) == (near in line.get_label())


def test_each_panel_has_the_angles_of_its_joint_over_time():
    steps = [step("a", 0, pose(150)), step("b", 1, pose(140, 5, -5, 3, 4, 5))]
    seen = RunHistory([0, 1, 2], history(*steps).angles, [(0, "active")])
    figure = demo_figure(ROBOT, steps, seen)
    for j, joint in enumerate(JOINTS):
        panel = axes_of(figure, joint)
        lines = {line.get_label(): line for line in panel.lines if line.get_label() in LEGS}
        assert list(lines) == list(LEGS)
        for i, leg in enumerate(LEGS):
            assert lines[leg].get_color() == LEG[leg]
            assert list(lines[leg].get_xdata()) == seen.times
            expected = [degrees(angles[3 * i + j]) for angles in seen.angles]
            assert list(lines[leg].get_ydata()) == pytest.approx(expected)
        bounds = {line.get_xdata()[0] for line in panel.lines if line.get_label().startswith("_")}
        assert bounds == {0, 1, 2}
        assert panel.get_ylabel() == f"{joint} (°)"
    assert panel.get_xlabel() == "time (s)"


def test_curves_of_the_four_legs_differ_by_more_than_hue():
    steps = [step("a", 0, pose(150))]
    panel = axes_of(demo_figure(ROBOT, steps, history(*steps)), "knee")
    drawn = {(line.get_linewidth(), line.get_linestyle()) for line in panel.lines if line.get_label() in LEGS}
    assert len(drawn) == len(LEGS)


def test_what_a_hand_moves_is_dots_and_no_line():
    level, limp = step("a", 0, pose(150)).angles, stance_angles(ROBOT, ROBOT.resting)
    # Powered from 0.5 to 2.5 s and from 4.5 s on; the fault is over before the next angles are seen.
    states = [(0, "off"), (0.5, "rising"), (1.5, "active"), (2.5, "fault"), (2.51, "off"), (4.5, "rising")]
    seen = RunHistory([0, 1, 2, 3, 4, 5], [limp, level, level, limp, limp, level], states)
    panel = axes_of(demo_figure(ROBOT, [Step("a", 0, 5, None, None, level, "")], seen), "hip")
    lines = lines_of(panel)
    low, high = degrees(level[1]), degrees(limp[1])
    # A servo answers the first pulse, so its line begins at what was seen before.
    expected = [high, low, low, np.nan, high, low]
    assert list(lines["front_left"].get_ydata()) == pytest.approx(expected, nan_ok=True)
    dots = lines["front_left limp"]
    assert dots.get_linestyle() == "None"
    assert dots.get_xydata().tolist() == [[0, high], [3, high], [4, high]]


def limits_in(figure, joint):
    """The drawn limits, and the words beside them."""
    panel = axes_of(figure, joint)
    drawn = [round(line.get_ydata()[0], 6) for line in panel.lines if line.get_label() == "limit"]
    return dict(zip(drawn, [text.get_text() for text in panel.texts], strict=True))


def test_limits_are_drawn_where_the_joints_come_near_them():
    rest, level = stance_angles(ROBOT, ROBOT.resting), step("a", 0, pose(150)).angles
    bent = (radians(-25), *level[1:])  # 5° before the inward limit of the left legs
    figure = demo_figure(ROBOT, [Step("a", 0, 1, None, None, rest, "")], RunHistory([0, 1, 2], [rest, level, bent], []))
    assert limits_in(figure, "abduction") == {-30: "limit\nleft"}
    assert limits_in(figure, "hip") == {130: "limit"}
    assert limits_in(figure, "knee") == {-160: "limit"}
    for joint in JOINTS:
        low, high = axes_of(figure, joint).get_ylim()
        assert all(low < limit < high for limit in limits_in(figure, joint))


def test_a_limit_is_shown_to_the_legs_that_have_it():
    robot = sample_robots.digger()
    standing = Pose((0, 0, robot.standing.height))
    level = legs_inverse(robot, standing, robot.standing.feet)
    # The front left knee bends from 10° to 155°, the rear ones the other way.
    bent = (*level[:2], radians(150), *level[3:])
    figure = demo_figure(robot, [Step("a", 0, 1, None, None, level, "")], RunHistory([0, 1], [level, bent], []))
    assert limits_in(figure, "knee") == {155: "limit\nfront"}


def test_band_shows_each_state_as_long_as_it_lasted():
    steps = [step("a", 0, pose(150), 10)]
    seen = RunHistory([0, 10], [steps[0].angles] * 2, [(0, ""), (1, "off"), (2, "active"), (6, "hold"), (7, "active")])
    band = axes_of(demo_figure(ROBOT, steps, seen), "states")
    spells = sorted((p.get_x(), p.get_width(), p.get_label()) for p in patches_in(band, Rectangle))
    assert spells == [(1, 1, "off"), (2, 4, "active"), (6, 1, "hold"), (7, 3, "active")]
    assert sorted(text.get_text() for text in band.texts) == ["active", "active", "hold", "off"]


@pytest.mark.parametrize("start", [5, 9.999])
def test_a_fault_of_a_millisecond_is_seen(start):
    steps = [step("a", 0, pose(150), 10)]
    seen = RunHistory([0, 10], [steps[0].angles] * 2, [(0, "active"), (start, "fault"), (start + 0.001, "off")])
    band = axes_of(demo_figure(ROBOT, steps, seen), "states")
    patches = patches_in(band, Rectangle)
    on_top = [patch.get_label() for patch in patches].index("fault")
    box = patches[on_top].get_window_extent()
    assert box.width > 3
    assert box.x1 <= band.get_window_extent().x1 + 1e-6
    assert all(not box.overlaps(later.get_window_extent()) for later in patches[on_top + 1 :])


def test_every_state_of_the_watchdog_has_its_colour():
    assert set(STATES) == {state.value for state in State}
    assert len(set(STATES.values())) == len(STATES)


def test_captions_say_asked_and_reached_in_mm_and_degrees():
    asked, reached = pose(150, y=20, pitch=5), pose(149.87, y=19.96, pitch=-5.04, x=0.3, yaw=0.6)
    steps = [Step("lean", 0, 1, asked, reached, legs_inverse(ROBOT, reached, FEET), "not shown")]
    words = [text.get_text() for text in demo_figure(ROBOT, steps, history(*steps)).texts]
    first = words.index("lean") + 1
    assert words[first : first + 20] == [
        *("height", "150", "→", "149.9", "mm"),
        *("y", "20", "→", "20.0", "mm"),
        *("pitch", "5", "→", "−5.0", "°"),
        *("yaw", "0", "→", "0.6", "°"),
    ]
    assert "not shown" not in words


@pytest.mark.parametrize("count", [1, 5, 7, 17])
def test_words_and_views_lie_within_the_picture_and_not_on_each_other(count):
    steps = demo_like()[-count:]
    figure = demo_figure(ROBOT, steps, history(*steps))
    FigureCanvasAgg(figure)  # one renderer for all words: each would make one of its own
    assert 800 < figure.bbox.height < 1900
    views = [axes_of(figure, f"{i + 1} {view}") for i in range(count) for view in ("side", "front")]
    boxes = [(text.get_text(), text.get_window_extent()) for text in words_in(figure)]
    boxes += [(axes.get_label(), axes.get_window_extent()) for axes in views]
    assert_within(figure, boxes)
    assert_apart(boxes)


def test_another_robot_is_drawn_too():
    robot = sample_robots.digger()
    standing = Pose((0, 0, robot.standing.height))
    angles = legs_inverse(robot, standing, robot.standing.feet)
    figure = demo_figure(robot, [Step("a", 0, 1, standing, standing, angles, "")], RunHistory([0], [angles], []))
    knees = {leg: line[2, 0] for leg, line in legs_in(axes_of(figure, "1 side")).items()}
    assert knees["front_left"] > robot.legs[0].hip[0]
    assert knees["rear_left"] < robot.legs[2].hip[0]


@pytest.mark.parametrize(
    ("places", "expected"),
    [
        ([1, 5, 9], [1, 5, 9]),
        ([1, 1.5, 1.6, 9], [1, 2, 3, 9]),
        ([5, 9.5, 9.8, 9.9], [5, 8, 9, 10]),
    ],
)
def test_labels_are_spread_until_they_have_room(places, expected):
    assert spread(places, 1, 10) == pytest.approx(expected)
