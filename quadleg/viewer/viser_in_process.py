"""viser without a port: its server has no socket, and a browser comes to it through the page's server alone.

viser would listen on a port of its own, where it looks neither at Origin nor at Host: any page in any browser of this
computer could reach it there, and have the scene shared with the world. viser opens its port by `websockets`' `serve`;
here it is given another, which keeps viser's handler of connections and listens nowhere.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from importlib.resources import files
from types import SimpleNamespace
from typing import Any

import viser
from rich import get_console
from viser.infra import _infra as _viser_infra

from quadleg.errors import ViewMissing

_infra: Any = _viser_infra
Send = Callable[[bytes], Awaitable[None]]

VERSION = f"viser-v{viser.__version__}"  # the WebSocket subprotocol by which viser's page says which it is
_STARTING = threading.Lock()


class InProcessViser:
    """viser's server, `server`, without a socket. Raises ViewMissing for a viser that cannot be run so."""

    def __init__(self) -> None:
        self._serving = _Serving()
        # What viser prints on the terminal, its address for one, is caught for this thread alone.
        with get_console().capture(), _without_a_port(self._serving):
            self.server = viser.ViserServer(host="127.0.0.1", port=0, verbose=False)
        if self._serving.handler is None:
            self.close()
            raise ViewMissing(
                f"no live view: viser {viser.__version__} opens a port that any web page on this computer could "
                f"reach. Install another: pip install 'viser==1.1.1'"
            )

    @property
    def page(self) -> bytes:
        return (files("viser") / "client" / "build" / "index.html").read_bytes()

    async def show_to(self, send: Send) -> None:
        """Give what viser says to `send`, which runs on the caller's loop, until cancelled or until `send` raises.

        Nothing that a browser says gets to viser.
        """
        loop = asyncio.get_running_loop()

        async def tell(data: bytes) -> None:
            await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(_sent(send, data), loop))

        showing = asyncio.run_coroutine_threadsafe(self._serving.show(_Browser(tell)), self._serving.loop)
        await asyncio.wrap_future(showing)

    def close(self) -> None:
        with get_console().capture():
            self.server.stop()


async def _sent(send: Send, data: bytes) -> None:
    await send(data)


class _Serving:
    """Takes the place of `websockets.asyncio.server.serve` and of what that gives, for viser."""

    def __init__(self) -> None:
        self.handler: Callable[[Any], Awaitable[None]] | None = None
        self.loop: asyncio.AbstractEventLoop
        self.server = SimpleNamespace(sockets=())
        self._shows: set[asyncio.Task[Any]] = set()

    def __call__(self, handler: Callable[[Any], Awaitable[None]], *_: Any, **__: Any) -> _Serving:
        self.handler, self.loop = handler, asyncio.get_running_loop()
        return self

    async def __aenter__(self) -> _Serving:
        return self

    async def __aexit__(self, *_: object) -> None:
        for task in self._shows:
            task.cancel()
        await asyncio.gather(*self._shows, return_exceptions=True)
        get_console().begin_capture()  # viser's thread, which ends now, says so on the terminal

    async def show(self, browser: _Browser) -> None:
        """Have viser talk to one browser; on viser's loop."""
        task = asyncio.current_task()
        assert task
        assert self.handler
        self._shows.add(task)
        try:
            await self.handler(browser)
        finally:
            self._shows.discard(task)


class _Browser:
    """What viser's handler sees of a browser: one that says nothing, and takes all."""

    subprotocol = VERSION

    def __init__(self, send: Send) -> None:
        self.send = send

    async def recv(self) -> bytes:
        """Never answers."""
        return await asyncio.get_running_loop().create_future()

    async def close(self, *_: object) -> None:
        """viser closes by leaving its handler."""


@contextmanager
def _without_a_port(serving: _Serving) -> Iterator[None]:
    """While viser's server starts, `serve` is replaced for viser alone."""
    with _STARTING:
        real: Any = _infra.websockets
        server = SimpleNamespace(serve=serving, ServerConnection=real.asyncio.server.ServerConnection)
        changed = {"asyncio": SimpleNamespace(server=server)}
        kept = {"exceptions": real.exceptions, "datastructures": real.datastructures}
        _infra.websockets = SimpleNamespace(**changed, **kept)
        try:
            yield
        finally:
            _infra.websockets = real
