"""A recording as one table, a row a frame, for whatever reads CSV or Parquet. Its columns:
`signal_table.TOPICS`, and the times of time_columns.py.

A row is one message of joint_states. Of all other topics it has what was said last before it; nothing where that was
longer ago than `COMMAND_FRESH`, but for what stands until it is changed.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from quadleg.errors import OutputPathError, RecordingError
from quadleg.geometry.arrays import AnyArray
from quadleg.recording.reader import Recording
from quadleg.recording.signal_table import TOPICS
from quadleg.recording.signals import Signals, angles_are, signals_of, skipped
from quadleg.recording.time_columns import MODELLED_END, TIME, UNIX_TIME
from quadleg.robot.model import MODELLED
from quadleg.safety.node_status import NodeStatus
from quadleg.topic_table import COMMAND_FRESH

_ENDS = (".csv", ".parquet")


def export(recording: Recording, path: Path, warn: Callable[[str], None] = lambda words: None) -> int:
    """Write the table of a recording; return the number of its rows. `warn` takes a sentence for each thing left out.

    Raises RecordingError if the recording has no joint_states, or the path does not end in .csv or .parquet, and
    OutputPathError if the file exists or cannot be written.
    """
    if path.suffix not in _ENDS:
        raise RecordingError(f"{path} must end in {' or '.join(_ENDS)}")
    signals = signals_of(recording)
    columns = table(signals, recording.begin, angles_are(recording, signals) == MODELLED)
    try:
        if path.suffix == ".csv":
            _write_csv(columns, path)
        else:
            _write_parquet(columns, path)
    except FileExistsError:
        raise OutputPathError(f"{path} is there already and stays as it is: name a new file") from None
    except OSError as error:
        raise OutputPathError(f"{path} cannot be written: {error.strerror or error}") from error
    for words in skipped(recording, signals):
        warn(words)
    return len(columns[TIME])


def table(signals: Signals, begin: float, modelled: bool) -> dict[str, AnyArray | list[str]]:
    """Columns of one length by names that end in their units, and in MODELLED_END where they follow from a model.

    `begin` is the system clock's time of the recording's begin in s.
    """

    def told(key: str) -> bool:
        return modelled if key == "joint_angles" else signals.first_value("servo_output", key) == MODELLED

    times = signals.signals["joint_states"].times
    columns: dict[str, AnyArray | list[str]] = {TIME: times, UNIX_TIME: begin + times}
    found: list[tuple[tuple[int, int, int], str, AnyArray]] = []
    for number, (topic, known) in enumerate(TOPICS.items()):
        if known.state_of and (statuses := signals.states(known.state_of)):
            columns[topic] = _held_state(statuses, times)
        signal = signals.get(topic)
        for own in known.columns:
            if signal and own.array in signal.values:
                held = signal.held(own.array, times, np.inf if known.stands else COMMAND_FRESH).reshape(len(times), -1)
                kind = MODELLED_END if known.modelled and told(known.modelled) else ""
                for k, ((rank, place), name) in enumerate(own.names()):
                    found.append(((rank, number if rank else 0, place), name + kind, held[:, k]))
    columns |= {name: column for _, name, column in sorted(found, key=lambda each: each[0])}
    return {name: column for name, column in columns.items() if not _is_empty(column)}


def _held_state(told: list[tuple[float, NodeStatus]], times: AnyArray) -> list[str]:
    """The last state before each of the times."""
    states = ["", *(status.state for _, status in told)]
    return [states[k] for k in np.searchsorted([time for time, _ in told], times, side="right")]


def _is_empty(column: AnyArray | list[str]) -> bool:
    return isinstance(column, np.ndarray) and bool(np.isnan(column).all())


def _write_csv(columns: Mapping[str, AnyArray | list[str]], path: Path) -> None:
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


def _with_gaps(column: AnyArray) -> list[float | str]:
    """Numbers, and nothing where there is none."""
    values: list[float | str] = column.tolist()
    for k in np.flatnonzero(np.isnan(column)):
        values[k] = ""
    return values


def _write_parquet(columns: Mapping[str, AnyArray | list[str]], path: Path) -> None:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise OutputPathError(
            "Parquet needs pyarrow: pip install -e '.[parquet]' in quadleg's folder; .csv needs nothing"
        ) from None
    with path.open("xb") as file:
        parquet.write_table(pyarrow.table(dict(columns)), file)
