"""Damaged recordings: export and replay say what they leave out, as the report does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import pytest
from damaged import HEAD, MAGIC, joined, pieces
from mcap.opcode import Opcode
from recordings import made, metadata, write

from quadleg import cli
from quadleg.errors import NotHeard


def damage_chunk(path: Path) -> str:
    """Flip a byte in the third chunk; where that chunk stands, as it is said."""
    data, at, chunks = bytearray(path.read_bytes()), len(MAGIC), 0
    while True:
        kind, length = HEAD.unpack_from(data, at)
        at += HEAD.size
        chunks += kind == Opcode.CHUNK
        if chunks == 3:
            break
        at += length
    data[at + 200] ^= 0xFF
    path.write_bytes(data)
    return f"1 part of the file is damaged and left out; at byte {at}: "


def cut_messages(path: Path) -> str:
    """Cut two messages of `state` short; what is said of them."""
    parts, cut = pieces(path.read_bytes()), 0
    for part in parts:
        for piece in part.inner:
            if piece.kind == Opcode.MESSAGE and b"following the joint targets" in piece.content and cut < 2:
                piece.content, cut = piece.content[:40], cut + 1
    path.write_bytes(joined(parts))
    return f"{cut} messages of state are damaged, or of too many shapes; they are left out"


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    return write(tmp_path / "a.mcap", made().messages, metadata())


def replay_without_stack(monkeypatch: pytest.MonkeyPatch) -> None:
    def not_there(_: str) -> NoReturn:
        raise NotHeard("no stack")

    monkeypatch.setattr("quadleg.replay.Robot", not_there)


@pytest.mark.parametrize("command", ["export", "replay"])
@pytest.mark.parametrize("damage", [damage_chunk, cut_messages])
def test_what_is_left_out_is_said_with_its_place(
    command: str,
    damage: Callable[[Path], str],
    recorded: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    replay_without_stack(monkeypatch)
    words = damage(recorded)
    cli.main([command, str(recorded)])
    printed = capsys.readouterr()
    assert [line for line in printed.err.splitlines() if line.startswith(f"quadleg: {words}")]


@pytest.mark.parametrize("command", ["export", "replay"])
def test_of_a_sound_recording_nothing_is_said_to_be_left_out(
    command: str, recorded: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    replay_without_stack(monkeypatch)
    cli.main([command, str(recorded)])
    assert "left out" not in capsys.readouterr().err
