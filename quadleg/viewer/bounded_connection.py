"""A WebSocket connection with a budget: what one browser sends can neither fill memory nor keep the others waiting.

Every frame counts, control frames and fragments too, since each costs the same time to parse (RFC 6455, 5.2 and 5.5).
"""

from __future__ import annotations

import asyncio
import time
from typing import Any

from websockets.asyncio.server import ServerConnection
from websockets.frames import Frame, Opcode
from websockets.protocol import State

FLOOD = 300  # frames a second of one connection; a hand on the pad makes some thirty, a camera that turns some fifty
MOST_FRAGMENTS = 16  # of one message; a browser sends messages as short as ours whole
MOST_CONNECTIONS = 64  # open at a time, with those that have not said yet what they want
MOST_UNSENT = 1 << 20  # bytes that wait for a browser that does not read, as answers to its pings
SLICE = 1 << 10  # bytes parsed at once: at most 170 frames, the shortest has six bytes (RFC 6455, 5.2: masked)
FAREWELL = 0.2  # s in which the reason gets to the browser before the connection is cut
POLICY_VIOLATION = 1008  # RFC 6455, 7.4.1


class BoundedConnection(ServerConnection):
    """Ends itself where the browser sends too much or does not read."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._since, self._frames, self._fragments = 0.0, 0, 0
        self._over = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Called by asyncio. Where there are too many, the oldest that has not said what it wants is cut."""
        super().connection_made(transport)
        lines = [line for line in self.server.handlers if not line.transport.is_closing()]
        if len(lines) > MOST_CONNECTIONS:
            mute = (line for line in lines if line.protocol.state is State.CONNECTING)
            next(mute, self).transport.abort()

    def data_received(self, data: bytes) -> None:
        """Called by asyncio with what the browser has sent."""
        for begin in range(0, len(data), SLICE):
            if self._over:
                return
            super().data_received(data[begin : begin + SLICE])
            if self.transport.get_write_buffer_size() > MOST_UNSENT:
                self._over = True
                self.transport.abort()

    def process_event(self, event: Any) -> None:
        """Called for the request and then for each frame."""
        if isinstance(event, Frame):
            self._count(event)
        if not self._over:
            super().process_event(event)

    def _count(self, frame: Frame) -> None:
        now = time.monotonic()
        if now - self._since > 1.0:
            self._since, self._frames = now, 0
        self._frames += 1
        if frame.opcode is Opcode.CONT:
            self._fragments += 1
        elif frame.opcode in (Opcode.TEXT, Opcode.BINARY):
            self._fragments = 0
        if self._frames > FLOOD:
            self._end(f"more than {FLOOD} messages a second")
        elif self._fragments > MOST_FRAGMENTS:
            self._end(f"a message in more than {MOST_FRAGMENTS} parts")

    def _end(self, why: str) -> None:
        """Say why, read nothing more, and cut the connection."""
        if self._over:
            return
        self._over = True
        self.transport.pause_reading()
        self.protocol.fail(POLICY_VIOLATION, why)
        self.send_data()
        self.loop.call_later(FAREWELL, self.transport.abort)
