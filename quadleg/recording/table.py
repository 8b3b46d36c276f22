"""A recording as one table, a row a frame, for whatever reads CSV or Parquet.

A row is one message of joint_states. Of all other topics it has what was said last before it; nothing where that was
longer ago than `FRESH`, but for what stands until it is changed.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quadleg.errors import BadRecording, NoPlace
from quadleg.recording.damage import skipped
from quadleg.recording.reader import Recording
from quadleg.recording.signals import Signals, angles_are, signals_of
from quadleg.robot.model import JOINT_NAMES, LEGS, MODELLED

Array = NDArray[Any]

FRESH = 0.5  # s
XYZ, WXYZ = "xyz", "wxyz"
_STANDING = ("base_target", "state", "servo_state")
_ENDS = (".csv", ".parquet")


def export(recording: Recording, path: Path, warn: Callable[[str], None] = lambda words: None) -> int:
    """Write the table of a recording; the number of its rows. `warn` takes a sentence for each thing left out.

    Raises BadRecording for a recording without joint_states, or another ending than .csv and .parquet, and NoPlace
    where the file is there already or cannot be written.
    """
    if path.suffix not in _ENDS:
        raise BadRecording(f"{path} must end in {' or '.join(_ENDS)}")
    signals = signals_of(recording)
    columns = table(signals, recording.begin, angles_are(recording, signals) == MODELLED)
    try:
        if path.suffix == ".csv":
            _write_csv(columns, path)
        else:
            _write_parquet(columns, path)
    except FileExistsError:
        raise NoPlace(f"{path} is there already and stays as it is: name a new file") from None
    except OSError as error:
        raise NoPlace(f"{path} cannot be written: {error.strerror or error}") from error
    for words in skipped(recording, signals):
        warn(words)
    return len(columns["time_s"])


def table(signals: Signals, begin: float, modelled: bool) -> dict[str, Array | list[str]]:
    """Columns of one length by names that end in their units, and in `_modelled` where they follow from a model.

    `begin` is the system clock's time of the recording's begin in s.
    """
    states = signals.signals["joint_states"]
    times = states.times
    suffix = "_modelled" if modelled else ""
    columns: dict[str, Array | list[str]] = {"time_s": times, "unix_time_s": begin + times}
    for topic in ("state", "servo_state"):
        if topic in signals.texts:
            columns[topic] = _held_text(signals.texts[topic], times)
    commands = signals.get("joint_commands")
    commanded = commands.held("position", times, FRESH) if commands else None
    for number, name in enumerate(JOINT_NAMES):
        if commanded is not None:
            columns[f"{name}_command_rad"] = commanded[:, number]
        columns[f"{name}_angle_rad{suffix}"] = states["position"][:, number]
        columns[f"{name}_speed_rad_per_s{suffix}"] = states["velocity"][:, number]
        columns[f"{name}_torque_nm{suffix}"] = states["effort"][:, number]
    for topic, key, prefix, parts in _VECTORS:
        signal = signals.get(topic)
        if signal and key in signal.values:
            held = signal.held(key, times, np.inf if topic in _STANDING else FRESH)
            columns |= {f"{prefix}_{part}": held[:, k] for k, part in enumerate(parts)}
    for topic, prefix in (("planned_feet", "planned"), ("foot_loads", "estimated")):
        if signal := signals.get(topic):
            places, forces = (signal.held(key, times, FRESH) for key in ("place", "force"))
            for k, leg in enumerate(LEGS):
                columns |= {f"{leg}_foot_{prefix}_{part}_m": places[:, k, i] for i, part in enumerate(XYZ)}
                columns[f"{leg}_foot_{prefix}_force_n"] = forces[:, k]
    if supply := signals.get("supply"):
        kind = "_modelled" if signals.told("servo_output", "supply") == MODELLED else ""
        for key, unit in (("voltage", "v"), ("current", "a")):
            columns[f"supply_{key}_{unit}{kind}"] = supply.held(key, times, FRESH)
    return {name: column for name, column in columns.items() if not _is_empty(column)}


def _units(parts: str, unit: str) -> list[str]:
    return [f"{part}_{unit}" for part in parts]


_TWIST = ["x_m_per_s", "y_m_per_s", "yaw_rad_per_s"]
# topic, its key, the columns' prefix, and what follows that
_VECTORS: Sequence[tuple[str, str, str, Sequence[str]]] = (
    ("cmd_vel", "twist", "cmd_vel", _TWIST),
    ("teleop/cmd_vel", "twist", "teleop_cmd_vel", _TWIST),
    ("base_target", "position", "base_target", _units(XYZ, "m")),
    ("base_target", "quaternion", "base_target_quaternion", list(WXYZ)),
    ("teleop/base_target", "position", "teleop_base_target", _units(XYZ, "m")),
    ("teleop/base_target", "quaternion", "teleop_base_target_quaternion", list(WXYZ)),
    ("planned_feet", "twist", "planned_velocity", _TWIST),
    ("odom", "position", "odom", _units(XYZ, "m")),
    ("odom", "quaternion", "odom_quaternion", list(WXYZ)),
    ("odom", "linear", "odom_velocity", _units(XYZ, "m_per_s")),
    ("odom", "angular", "odom_rate", _units(XYZ, "rad_per_s")),
    ("truth/odom", "position", "truth", _units(XYZ, "m")),
    ("truth/odom", "quaternion", "truth_quaternion", list(WXYZ)),
    ("imu/data", "angular_velocity", "imu_rate", _units(XYZ, "rad_per_s")),
    ("imu/data", "linear_acceleration", "imu_acceleration", _units(XYZ, "m_per_s2")),
)


def _held_text(said: list[tuple[float, str]], times: Array) -> list[str]:
    """The last text before each of the times, without the reason behind the colon."""
    words = ["", *(text.partition(":")[0] for _, text in said)]
    return [words[k] for k in np.searchsorted([time for time, _ in said], times, side="right")]


def _is_empty(column: Array | list[str]) -> bool:
    return isinstance(column, np.ndarray) and bool(np.isnan(column).all())


def _write_csv(columns: Mapping[str, Array | list[str]], path: Path) -> None:
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        lists = [
            _no_formulas(column) if isinstance(column, list) else _with_gaps(column) for column in columns.values()
        ]
        writer.writerows(zip(*lists))


def _no_formulas(column: list[str]) -> list[str]:
    """Texts, with a ' before those that a spreadsheet would take for a formula, and obey (OWASP, CSV Injection)."""
    return [f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text for text in column]


def _with_gaps(column: Array) -> list[float | str]:
    """Numbers, and nothing where there is none."""
    values: list[float | str] = column.tolist()
    for k in np.flatnonzero(np.isnan(column)):
        values[k] = ""
    return values


def _write_parquet(columns: Mapping[str, Array | list[str]], path: Path) -> None:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise NoPlace(
            "Parquet needs pyarrow: pip install -e '.[parquet]' in quadleg's folder; .csv needs nothing"
        ) from None
    with path.open("xb") as file:
        parquet.write_table(pyarrow.table(dict(columns)), file)
