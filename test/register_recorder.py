"""A board that takes every byte and remembers it."""

from __future__ import annotations

from collections.abc import Callable

from quadleg.hardware.board import Board, always


class RegisterRecorder(Board):
    """Plain registers that remember every transaction; `frozen` ones keep their value."""

    def __init__(self, registers: dict[int, int] | None = None, frozen: tuple[int, ...] = ()) -> None:
        self.registers = bytearray(256)
        # Reset values: data sheet, tables 5, 6 and 9.
        for register, value in (registers or {0x00: 0x11, 0x01: 0x04, 0xFE: 0x1E}).items():
            self.registers[register] = value
        self.frozen = frozen
        self.transactions: list[tuple[bytes, ...]] = []

    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        self.transactions.append(messages)
        for register, *data in messages:
            for offset, value in enumerate(data):
                if register + offset not in self.frozen:
                    self.registers[register + offset] = value

    def read(self, register: int, count: int) -> bytes:
        return bytes(self.registers[register : register + count])

    def neighbour(self, address: int) -> Board:
        return self

    def close(self) -> None:
        pass
