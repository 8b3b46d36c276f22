"""The recorder without ROS: what is flushed when, the last minute, steps of the clock, a full disk, and kill -9."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from conftest import wait_until
from damaged_files import pieces
from small_recordings import LATCHED, ThreadHost, begin, data, messages, text

from quadleg.errors import OutputPathError, RecordingError
from quadleg.recording import recording_writer as module
from quadleg.recording.mcap_file import McapFile, finish
from quadleg.recording.reader import Recording
from quadleg.recording.recording_writer import RecordingWriter


def test_all_that_came_is_in_the_file_in_its_order(tmp_path: Path) -> None:
    recorder, channel, _ = begin(tmp_path / "a.mcap")
    sent = [text(f"{k}") for k in range(5000)]
    for message in sent:
        recorder.take(channel, message)
    recorder.close()
    assert data(tmp_path / "a.mcap") == sent
    assert not Recording(tmp_path / "a.mcap").cut
    assert recorder.recorded == len(sent)


def test_what_has_waited_long_goes_into_chunks_that_any_reader_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LARGEST_CHUNK", 10_000)
    recorder, channel, _ = begin(tmp_path / "a.mcap")
    sent = [text(f"{k:01000}") for k in range(100)]
    for message in sent:
        recorder.take(channel, message)
    recorder.close()
    chunks = [piece.inner for piece in pieces((tmp_path / "a.mcap").read_bytes()) if piece.inner]
    assert max(sum(len(each.content) for each in inner) for inner in chunks) < 11_000
    assert data(tmp_path / "a.mcap") == sent


def test_it_is_on_the_disk_while_the_recorder_goes_on(tmp_path: Path) -> None:
    recorder, channel, _ = begin(tmp_path / "a.mcap")
    recorder.take(channel, text("here"))
    wait_until(lambda: recorder.recorded, "a flush")
    assert data(tmp_path / "a.mcap") == [text("here")]
    recorder.close()


def test_the_last_minute_is_kept_with_what_was_said_once_before_it(tmp_path: Path) -> None:
    clock = ThreadHost()
    recorder, channel, latched = begin(None, clock)
    recorder.describe("joint_angles", {"kind": "measured"})
    recorder.take(latched, text("a robot"))
    recorder.take(channel, text("long ago"))
    assert text("long ago") in in_memory(recorder, tmp_path)  # a chunk of its own, as `keep` packs what waits
    clock.steady = clock.system = 0.6 * module.LAST_MINUTE
    recorder.take(channel, text("new"))
    assert in_memory(recorder, tmp_path) == [text("long ago"), text("new")]
    clock.steady = clock.system = 1.1 * module.LAST_MINUTE
    recorder.take(channel, text("newest"))
    count = recorder.keep(tmp_path / "kept.mcap")
    assert data(tmp_path / "kept.mcap") == [text("new"), text("newest")]
    assert data(tmp_path / "kept.mcap", LATCHED) == [text("a robot")]
    assert count == sum(map(len, messages(tmp_path / "kept.mcap").values()))
    assert Recording(tmp_path / "kept.mcap").metadata["joint_angles"] == {"kind": "measured"}
    recorder.close()


def in_memory(recorder: RecordingWriter, folder: Path) -> list[bytes]:
    recorder.keep(folder / "now.mcap")
    found = data(folder / "now.mcap")
    (folder / "now.mcap").unlink()
    return found


def test_keeping_nothing_or_onto_a_file_is_refused(tmp_path: Path) -> None:
    recorder, channel, _ = begin(None)
    with pytest.raises(OutputPathError, match="nothing to keep"):
        recorder.keep(tmp_path / "a.mcap")
    recorder.take(channel, text("x"))
    (tmp_path / "a.mcap").write_text("mine")
    with pytest.raises(OutputPathError, match="there already and stays"):
        recorder.keep(tmp_path / "a.mcap")
    assert (tmp_path / "a.mcap").read_text() == "mine"
    recorder.close()
    with pytest.raises(OutputPathError, match="there already and stays"):
        RecordingWriter(ThreadHost(), tmp_path / "a.mcap", {})


def test_a_step_of_the_system_clock_is_taken_out_again(tmp_path: Path) -> None:
    clock = ThreadHost()
    recorder, channel, _ = begin(tmp_path / "a.mcap", clock)
    begun = time.monotonic()
    for number, step in enumerate((0.0, 1e4, -1e4, 86400.0)):
        clock.system += step
        recorder.take(channel, text(f"{number}"))
    taken = time.monotonic() - begun
    recorder.keep(tmp_path / "kept.mcap")
    recorder.close()
    for path in (tmp_path / "a.mcap", tmp_path / "kept.mcap"):
        times = [time for time, _ in messages(path)["/joint_states"]]
        assert times == sorted(times)
        assert times[-1] - times[0] < taken + 0.01
        assert data(path) == [text(f"{number}") for number in range(4)]


def test_a_disk_that_is_nearly_full_ends_the_recording_with_a_word_and_a_whole_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder, channel, _ = begin(tmp_path / "a.mcap")
    recorder.take(channel, text("before"))
    wait_until(lambda: recorder.recorded, "a flush")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=5 << 20))
    recorder.take(channel, text("no room"))
    wait_until(lambda: recorder.trouble, "the trouble")
    assert "recording stopped: only 5 MB are free on the disk; what was recorded before is in" in recorder.trouble
    assert recorder.path is None
    assert data(tmp_path / "a.mcap") == [text("before")]
    assert not Recording(tmp_path / "a.mcap").cut
    with pytest.raises(OutputPathError, match="only 5 MB are free"):
        recorder.keep(tmp_path / "kept.mcap")
    monkeypatch.undo()
    recorder.take(channel, text("later"))
    assert recorder.keep(tmp_path / "kept.mcap") == 3  # the last minute goes on
    recorder.close()


def test_a_disk_that_fails_ends_the_recording_with_a_word(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recorder, channel, _ = begin(tmp_path / "a.mcap")
    recorder.take(channel, text("before"))
    wait_until(lambda: recorder.recorded, "a flush")

    def fail(_: McapFile) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(McapFile, "flush", fail)
    recorder.take(channel, text("no room"))
    wait_until(lambda: recorder.trouble, "the trouble")
    assert "No space left on device" in recorder.trouble
    recorder.close()
    assert data(tmp_path / "a.mcap")[0] == text("before")


@pytest.mark.parametrize("free", [5 << 20, 5 << 30])
def test_a_disk_that_fails_at_the_end_of_the_file_too_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: int
) -> None:
    recorder, channel, _ = begin(tmp_path / "a.mcap")

    def fail(_: McapFile) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(McapFile, "flush", fail)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=free))
    recorder.take(channel, text("no room"))
    recorder.close()
    assert "No space left on device" in recorder.trouble


def test_a_disk_that_hangs_fills_no_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hangs, goes, flush = threading.Event(), threading.Event(), McapFile.flush

    def hang(file: McapFile) -> None:
        hangs.set()
        assert goes.wait(10.0)
        flush(file)

    monkeypatch.setattr(module, "MOST_WAITING", 100)
    recorder, channel, _ = begin(tmp_path / "a.mcap")
    monkeypatch.setattr(McapFile, "flush", hang)
    recorder.take(channel, text("on its way"))
    assert hangs.wait(10.0)
    for number in range(150):
        recorder.take(channel, text(f"{number}"))
    assert recorder.lost == 49
    goes.set()
    recorder.close()
    assert len(data(tmp_path / "a.mcap")) == 1 + 101


KILLED = """
import sys, time
sys.path.insert(0, {tests!r})
from small_recordings import begin, text
from pathlib import Path
recorder, channel, latched = begin(Path({path!r}))
number = 0
while True:
    recorder.take(channel, text(f"{{number}} {{time.monotonic()}}" + "x" * (number % 400)))
    number += 1
    if number % 15 == 0:
        time.sleep(0.01)
        print(number, flush=True)
"""


@pytest.mark.parametrize("seed", range(4))
def test_kill_9_at_any_moment_loses_no_more_than_the_last_second(tmp_path: Path, seed: int) -> None:
    survived(tmp_path / "a.mcap", random.Random(seed).uniform(0.7, 2.0))


def survived(path: Path, after: float) -> None:
    """A recorder at 1500 messages a second is killed after so many s; what it had a second before is there."""
    code = KILLED.format(tests=str(Path(__file__).parent), path=str(path))
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    process.stdout.readline()
    begun = time.monotonic()
    while time.monotonic() - begun < after:
        process.stdout.readline()
    killed = time.monotonic()
    process.send_signal(signal.SIGKILL)
    process.wait()
    try:
        found = data(path)
    except RecordingError:  # nothing of it yet
        assert killed - begun < 1.0
        return
    numbers = [int(one[8:].split()[0]) for one in found]
    assert numbers == list(range(len(numbers)))
    last = float(found[-1][8:].split()[1].rstrip(b"x\0"))
    assert killed - last < 1.0
    assert finish(path)
    assert data(path) == found


if __name__ == "__main__":  # python test/test_recording_writer.py 100: so many kills, one after the other
    import tempfile

    draw = random.Random(0)
    for round_number in range(int(sys.argv[1])):
        with tempfile.TemporaryDirectory() as folder:
            survived(Path(folder) / "a.mcap", draw.uniform(0.0, 3.0))
        print(f"{round_number + 1} survived", flush=True)
