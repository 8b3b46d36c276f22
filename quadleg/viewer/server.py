"""The page's own server: its files, a line to each browser, and the 3D scene behind the same address.

One port, on this computer alone. A browser sends the origin of the page that opens a line; only our own page may, so
that no page from elsewhere can steer the robot through the browser of the person who looks at it (RFC 6455, 10.2).
"""

from __future__ import annotations

import asyncio
import http
import json
import logging
import socket
import threading
import time
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from importlib.resources import files
from typing import Any
from urllib.parse import urlsplit

from websockets.asyncio.client import connect
from websockets.asyncio.server import ServerConnection, serve
from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response
from websockets.typing import Subprotocol

from quadleg.errors import PortTaken

HOST = "127.0.0.1"
OUR_NAMES = ("127.0.0.1", "localhost", "::1")
LINE, SCENE = "/line", "/scene"
PAGE = {
    "/": ("index.html", "text/html"),
    "/page.js": ("page.js", "text/javascript"),
    "/page.css": ("page.css", "text/css"),
}
MOST_LINES = 32  # open at a time; a browser has two
FLOOD = 300  # messages a second of one browser; a hand makes some thirty
STARTS_WITHIN = 10.0  # s

# Nothing comes from elsewhere, and no other page can put ours into a frame and have it clicked on.
OURS = "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
SCENES = (
    "default-src 'self' data: blob: 'unsafe-inline' 'unsafe-eval' 'wasm-unsafe-eval'; frame-ancestors 'self'; "
    "base-uri 'none'; form-action 'none'"
)
# Of viser's page the picture alone: its panels would stand over it.
ONLY_THE_PICTURE = b"<style>* {visibility: hidden !important} canvas {visibility: visible !important}</style></head>"


class PageServer:
    """Serves the page on `port`, with viser's scene from `scene_port`. Raises PortTaken.

    `greeting` is the first that each page hears. `hear` takes each message of a page with that page's number, on the
    server's thread, and gives what is wrong with it or an empty text; `gone` takes the number of a page that has left.
    """

    def __init__(
        self,
        port: int,
        scene_port: int,
        greeting: dict[str, Any],
        hear: Callable[[int, str | bytes], str],
        gone: Callable[[int], None],
    ) -> None:
        self._socket = _listen(port)
        self.port: int = self._socket.getsockname()[1]
        self._scene = f"ws://{HOST}:{scene_port}"
        self._greeting = json.dumps({"greeting": greeting})
        self._hear, self._gone = hear, gone
        self._files = {path: (_page_file(name), kind) for path, (name, kind) in PAGE.items()}
        self._files[SCENE] = (_scene_page(scene_port), "text/html")
        self._pages: dict[int, _Page] = {}
        self._lines = self._count = 0
        self.scenes = 0  # how many look at the scene
        self._loop = asyncio.new_event_loop()
        self._ended = asyncio.Event()
        ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(ready,), name="page_server", daemon=True)
        self._thread.start()
        ready.wait(STARTS_WITHIN)

    @property
    def address(self) -> str:
        """What a person types into a browser."""
        return f"http://{HOST}:{self.port}"

    @property
    def watched(self) -> int:
        """How many pages look on."""
        return len(self._pages)

    def say(self, news: dict[str, Any]) -> None:
        """Tells all pages. Of what a slow browser has not taken yet only the newest stays. From any thread."""
        text = json.dumps(news, separators=(",", ":"))
        with suppress(RuntimeError):  # the loop has ended
            self._loop.call_soon_threadsafe(self._spread, text)

    def close(self) -> None:
        """Ends all lines and the server."""
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._ended.set)
        self._thread.join()

    # On the server's thread

    def _run(self, ready: threading.Event) -> None:
        self._loop.run_until_complete(self._serve(ready))
        self._loop.close()

    async def _serve(self, ready: threading.Event) -> None:
        async with self._server():
            ready.set()
            await self._ended.wait()

    def _server(self) -> serve:
        quiet = logging.getLogger("quadleg.viewer")
        quiet.setLevel(logging.CRITICAL)  # a browser that leaves early is nothing to report
        return serve(
            self._handle,
            sock=self._socket,
            process_request=self._answer,
            select_subprotocol=_subprotocol,
            compression=None,
            max_size=2**16,
            write_limit=2**15,
            close_timeout=0.5,
            logger=quiet,
            server_header=None,
        )

    def _spread(self, text: str) -> None:
        for page in self._pages.values():
            page.tell(text)

    def _answer(self, connection: ServerConnection, request: Request) -> Response | None:
        """The file that is asked for, a refusal, or None for a line that may be opened."""
        path = urlsplit(request.path).path
        host = request.headers.get("Host", "")
        if urlsplit(f"//{host}").hostname not in OUR_NAMES:
            return _words(
                http.HTTPStatus.FORBIDDEN, f"this page is served to {', '.join(OUR_NAMES)} alone, not to {host}"
            )
        if request.headers.get("Upgrade", "").lower() == "websocket":
            return self._may_open(path, request.headers.get("Origin"), host)
        if path not in self._files:
            return _words(http.HTTPStatus.NOT_FOUND, f"there is no {path}; the page is at {self.address}")
        content, kind = self._files[path]
        headers = {"Content-Type": f"{kind}; charset=utf-8", "Cache-Control": "no-cache"}
        headers |= {"Content-Security-Policy": SCENES if path == SCENE else OURS, "X-Content-Type-Options": "nosniff"}
        return _response(http.HTTPStatus.OK, content, headers)

    def _may_open(self, path: str, origin: str | None, host: str) -> Response | None:
        # A program that is no browser sends no origin, and could publish on the topics itself.
        if origin is not None and origin != f"http://{host}":
            why = f"a page of {origin} may not steer this robot; open {self.address}"
            return _words(http.HTTPStatus.FORBIDDEN, why)
        if path not in (LINE, SCENE):
            return _words(http.HTTPStatus.NOT_FOUND, f"there is no line at {path}")
        if self._lines >= MOST_LINES:
            why = f"{MOST_LINES} lines are open already: close a browser's page"
            return _words(http.HTTPStatus.SERVICE_UNAVAILABLE, why)
        return None

    async def _handle(self, connection: ServerConnection) -> None:
        self._lines += 1
        try:
            path = urlsplit(connection.request.path if connection.request else "").path
            await (self._pass_scene(connection) if path == SCENE else self._talk(connection))
        except (ConnectionClosed, OSError):
            pass
        finally:
            self._lines -= 1

    async def _pass_scene(self, browser: ServerConnection) -> None:
        """Passes on what viser says. What a browser says to viser is dropped: it could have the scene shared with
        the world, and nothing of it is needed."""
        wanted = [browser.subprotocol] if browser.subprotocol else None
        async with connect(self._scene, subprotocols=wanted, compression=None, max_size=None, proxy=None) as viser:
            passing = asyncio.create_task(_pass_on(viser, browser))
            self.scenes += 1
            try:
                async for _ in browser:
                    pass
            finally:
                self.scenes -= 1
                passing.cancel()

    async def _talk(self, connection: ServerConnection) -> None:
        self._count += 1
        number, page = self._count, _Page(self._greeting)
        self._pages[number] = page
        telling = asyncio.create_task(page.keep_telling(connection))
        budget = _Budget()
        try:
            async for message in connection:
                if budget.spent(time.monotonic()):
                    await connection.close(1008, f"more than {FLOOD} messages a second")
                    break
                if wrong := self._hear(number, message):
                    page.refuse(wrong)
        finally:
            telling.cancel()
            del self._pages[number]
            self._gone(number)


class _Page:
    """What one browser is still to be told: the greeting, the last refusal, the newest news."""

    def __init__(self, greeting: str) -> None:
        self._greeting, self._refusal, self._news = greeting, "", ""
        self._more = asyncio.Event()
        self._more.set()

    def tell(self, text: str) -> None:
        self._news = text
        self._more.set()

    def refuse(self, why: str) -> None:
        self._refusal = json.dumps({"refused": why})
        self._more.set()

    async def keep_telling(self, connection: ServerConnection) -> None:
        """Sends what there is, each time when the browser has taken the last."""
        with suppress(ConnectionClosed):
            while True:
                await self._more.wait()
                self._more.clear()
                waiting = self._greeting, self._refusal, self._news
                self._greeting = self._refusal = self._news = ""
                for text in filter(None, waiting):
                    await connection.send(text)


class _Budget:
    """Counts messages, second by second."""

    def __init__(self) -> None:
        self._since, self._count = 0.0, 0

    def spent(self, now: float) -> bool:
        """Takes one more; whether there were too many."""
        if now - self._since > 1.0:
            self._since, self._count = now, 0
        self._count += 1
        return self._count > FLOOD


async def _pass_on(viser: Any, browser: ServerConnection) -> None:
    with suppress(ConnectionClosed):
        async for message in viser:
            await browser.send(message)
    await browser.close()


def _subprotocol(_: ServerConnection, offered: Any) -> Subprotocol | None:
    # viser's client says its version by it, and viser takes no other.
    return next((name for name in offered if name.startswith("viser")), None)


def _listen(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((HOST, port))
        listener.listen(32)
    except OSError as error:
        listener.close()
        raise PortTaken(
            f"no page on port {port} of {HOST}: {error.strerror}. Another viewer may run there; end it, or give this "
            f"one another port: parameter port of viewer, in a file for --params-file"
        ) from None
    return listener


def _page_file(name: str) -> bytes:
    return (files("quadleg.viewer") / "page" / name).read_bytes()


def _scene_page(port: int) -> bytes:
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))  # whatever proxy this computer has
    with direct.open(f"http://{HOST}:{port}/", timeout=STARTS_WITHIN) as answer:
        page: bytes = answer.read()
    return page.replace(b"</head>", ONLY_THE_PICTURE, 1)


def _words(status: http.HTTPStatus, words: str) -> Response:
    return _response(status, f"{words}\n".encode(), {"Content-Type": "text/plain; charset=utf-8"})


def _response(status: http.HTTPStatus, content: bytes, headers: dict[str, str]) -> Response:
    every = {**headers, "Content-Length": str(len(content)), "Connection": "close"}
    return Response(status.value, status.phrase, Headers(every), content)
