"""Two recordings compared: from the same event on, with the difference of their figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sample_recordings import joint_state, made, metadata, still, write
from strict_html import StrictPage

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.recording_metrics import metrics, number
from quadleg.errors import RecordingError
from quadleg.report.comparison import common_event, write_comparison

pytestmark = pytest.mark.usefixtures("small_pictures")
LATER = 3.5  # s that the second begins before its event, more than the first


@pytest.fixture(scope="module")
def two(tmp_path_factory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("two")
    first = write(folder / "first.mcap", made().messages, metadata())
    idle = [(0.02 * k, "joint_states", joint_state(made().position[0])) for k in range(int(LATER / 0.02))]
    moved = [(time + LATER, topic, message) for time, topic, message in made(2).messages]
    return first, write(folder / "second.mcap", [*idle, *moved], metadata())


def test_time_counts_from_what_both_have_in_common(two: tuple[Path, Path]) -> None:
    event, (first, second) = common_event(*map(RecordingAnalysis, two))
    assert event == "it was enabled"
    assert first == pytest.approx(1.0, abs=1e-6)
    assert second - first == pytest.approx(LATER, abs=1e-6)


def test_without_states_time_counts_from_the_first_motion(tmp_path: Path) -> None:
    def analysis(name: str, still: int) -> RecordingAnalysis:
        angles = np.concatenate((np.zeros(still), np.linspace(0.0, 0.5, 50)))
        messages = [(0.02 * k, "joint_states", joint_state([angle] * 12)) for k, angle in enumerate(angles)]
        return RecordingAnalysis(write(tmp_path / name, messages, metadata()))

    event, (first, second) = common_event(analysis("a.mcap", 10), analysis("b.mcap", 60))
    assert event == "a joint first moved"
    assert second - first == pytest.approx(1.0, abs=1e-6)
    unmoved = RecordingAnalysis(write(tmp_path / "d.mcap", still(10), metadata()))
    event, zeros = common_event(analysis("c.mcap", 10), unmoved)
    assert (event, zeros) == ("the beginning", (0.0, 0.0))


def test_the_page_has_both_figures_and_their_difference(two: tuple[Path, Path], tmp_path: Path) -> None:
    report = write_comparison(*two, tmp_path)
    page = StrictPage(report.page)
    assert len(page.all("img")) == len(report.pictures) == 5
    text = page.text
    errors = [RecordingAnalysis(path).joints.tracking for path in two]
    row = "".join(number(error, 2) for each in errors for error in np.degrees([each.rms[4], each.most[4]]))
    assert f"front right hip{row}" in text
    first, second = ({figure.name: figure for figure in metrics(RecordingAnalysis(path))} for path in two)
    name = "mean current with power"
    a, b = first[name].value, second[name].value
    assert f"{name}A{number(a, 2)}{number(b, 2)}" in text
    change = round(b, 2) - round(a, 2)
    assert f"{number(b, 2)}{'+' if change > 0 else ''}{number(change, 2)}" in text
    assert all("it was enabled at" in sentence for sentence in report.sentences[:2])


def test_what_one_lacks_and_another_robot_are_said(two: tuple[Path, Path], tmp_path: Path) -> None:
    about = metadata()
    about["robot_file"]["text"] = about["robot_file"]["text"].replace(
        "name: greenhouse_inspector", "name: cellar_inspector"
    )
    other = write(tmp_path / "other.mcap", made(3).messages, about, without=("odom", "truth/odom", "supply"))
    report = write_comparison(two[0], other, tmp_path)
    said = " ".join(report.sentences)
    assert "other lacks odom, truth/odom, supply" in said
    assert "two robots, greenhouse_inspector and cellar_inspector" in said
    assert [path.stem for path in report.pictures] == ["compared_speed", "compared_joints", "compared_effort"]


def test_a_recording_that_is_none_is_said(two: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "empty.mcap").write_bytes(b"")
    with pytest.raises(RecordingError, match=r"empty\.mcap is empty"):
        write_comparison(two[0], tmp_path / "empty.mcap", tmp_path)
