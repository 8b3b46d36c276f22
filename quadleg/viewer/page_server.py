"""The page's own server: its files, a line to each browser, and the 3D scene behind the same address.

One port, on this computer alone. A browser sends the origin of the page that opens a line; only our own page may, so
that no page from elsewhere can steer the robot through the browser of the person who looks at it (RFC 6455, 10.2).
"""

from __future__ import annotations

import asyncio
import html
import http
import json
import logging
import re
import socket
import threading
from collections.abc import Awaitable, Callable
from contextlib import suppress
from importlib.resources import files
from typing import Any, Protocol

from websockets.asyncio.server import ServerConnection, serve
from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed, WebSocketException
from websockets.http11 import Request, Response
from websockets.typing import Subprotocol

from quadleg.cautions import FIRST_POWER_UP
from quadleg.errors import PortTaken
from quadleg.viewer.bounded_connection import BoundedConnection
from quadleg.viewer.stop_settings import STOP_SETTINGS

HOST = "127.0.0.1"
OUR_NAMES = ("127.0.0.1", "localhost", "[::1]")
OUR_HOSTS = re.compile(rf"({'|'.join(map(re.escape, OUR_NAMES))})(:\d{{1,5}})?", re.IGNORECASE)
LINE, SCENE = "/line", "/scene"
PAGE = {
    "/": ("index.html", "text/html"),
    "/page.js": ("page.js", "text/javascript"),
    "/stop.js": ("stop.js", "text/javascript"),
    "/page.css": ("page.css", "text/css"),
}
MOST_LINES = 32  # open at a time; a browser has two
LONGEST = 1 << 12  # bytes of a message; what a page asks for has at most 300 characters
STARTS_WITHIN = 10.0  # s
ASKS_WITHIN = 5.0  # s in which a connection has to say what it wants

# Nothing comes from elsewhere, and no other page can put ours into a frame and have it clicked on.
OURS = "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
SCENES = (
    "default-src 'self' data: blob: 'unsafe-inline' 'unsafe-eval' 'wasm-unsafe-eval'; frame-ancestors 'self'; "
    "base-uri 'none'; form-action 'none'"
)
# Of viser's page the picture alone: its panels would stand over it.
ONLY_THE_PICTURE = b"<style>* {visibility: hidden !important} canvas {visibility: visible !important}</style></head>"


class Drawn(Protocol):
    """What is drawn in three dimensions: viser's `page`, and what that page is told in its own `version`."""

    version: str

    @property
    def page(self) -> bytes: ...

    async def show_to(self, send: Callable[[bytes], Awaitable[None]]) -> None: ...


class PageServer:
    """Serves the page on `port`, with the scene. Raises PortTaken.

    `greeting` is the first that each page hears. `hear` takes each message of a page with that page's number, on the
    server's thread, and gives what is wrong with it or an empty text; `gone` takes the number of a page that has left;
    `defect` takes unexpected exceptions.
    """

    def __init__(
        self,
        port: int,
        scene: Drawn,
        greeting: dict[str, Any],
        hear: Callable[[int, str | bytes], str],
        gone: Callable[[int], None],
        defect: Callable[[Exception], None],
    ) -> None:
        self._socket = _listen(port)
        self.port: int = self._socket.getsockname()[1]
        self._scene, self._defect = scene, defect
        self._greeting = json.dumps({"greeting": greeting})
        self._hear, self._gone = hear, gone
        self._files = {path: (_page_file(name), kind) for path, (name, kind) in PAGE.items()}
        self._files[SCENE] = (scene.page.replace(b"</head>", ONLY_THE_PICTURE, 1), "text/html")
        self._pages: dict[int, _Page] = {}
        self._lines = self._count = 0
        self.scenes = 0  # how many look at the scene
        self._loop = asyncio.new_event_loop()
        self._loop.set_exception_handler(self._defect_of_loop)
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
        return len(self._pages)

    def say(self, news: dict[str, Any]) -> None:
        """Tells all pages. Of what a slow browser has not taken yet only the newest stays. From any thread."""
        text = json.dumps(news, separators=(",", ":"))
        with suppress(RuntimeError):  # the loop has ended
            self._loop.call_soon_threadsafe(self._spread, text)

    def close(self) -> None:
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
        logger = logging.Logger("quadleg.viewer", logging.ERROR)
        logger.addHandler(_Defects(self._defect))
        return serve(
            self._handle,
            sock=self._socket,
            create_connection=BoundedConnection,
            process_request=self._answer,
            select_subprotocol=self._subprotocol,
            compression=None,
            max_size=LONGEST,
            write_limit=2**15,
            open_timeout=ASKS_WITHIN,
            close_timeout=0.5,
            logger=logger,
            server_header=None,
        )

    def _defect_of_loop(self, _: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        self._defect(error if isinstance(error, Exception) else RuntimeError(context["message"]))

    def _subprotocol(self, _: ServerConnection, offered: Any) -> Subprotocol | None:
        return next((name for name in offered if name == self._scene.version), None)

    def _spread(self, text: str) -> None:
        for page in self._pages.values():
            page.tell(text)

    def _answer(self, connection: ServerConnection, request: Request) -> Response | None:
        """The file that is asked for, a refusal, or None for a line that may be opened."""
        path = request.path.partition("?")[0]
        host = ", ".join(request.headers.get_all("Host"))  # a page of ours has one
        if not OUR_HOSTS.fullmatch(host):
            return _words(
                http.HTTPStatus.FORBIDDEN, f"this page is served to {', '.join(OUR_NAMES)} alone, not to {host}"
            )
        if "websocket" in ", ".join(request.headers.get_all("Upgrade")).lower():
            return self._may_open(path, ", ".join(request.headers.get_all("Origin")), host)
        if path not in self._files:
            return _words(http.HTTPStatus.NOT_FOUND, f"there is no {path}; the page is at {self.address}")
        content, kind = self._files[path]
        headers = {"Content-Type": f"{kind}; charset=utf-8", "Cache-Control": "no-cache"}
        headers |= {"Content-Security-Policy": SCENES if path == SCENE else OURS, "X-Content-Type-Options": "nosniff"}
        headers |= {"Cross-Origin-Resource-Policy": "same-origin", "Referrer-Policy": "no-referrer"}
        return _response(http.HTTPStatus.OK, content, headers)

    def _may_open(self, path: str, origin: str, host: str) -> Response | None:
        # A program that is no browser sends no origin, and could publish on the topics itself.
        if origin and origin != f"http://{host}":
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
            path = connection.request.path.partition("?")[0] if connection.request else ""
            await (self._pass_scene(connection) if path == SCENE else self._talk(connection))
        except (ConnectionClosed, OSError):
            pass
        finally:
            self._lines -= 1

    async def _pass_scene(self, browser: ServerConnection) -> None:
        """Passes on what viser says. What a browser says is dropped: nothing of it is needed."""
        if browser.subprotocol != self._scene.version:
            await browser.close(1002, "this page is of another version: load it again")
            return
        passing = asyncio.create_task(self._show(browser))
        passing.add_done_callback(self._look_at)
        self.scenes += 1
        try:
            async for _ in browser:
                pass
        finally:
            self.scenes -= 1
            passing.cancel()

    async def _show(self, browser: ServerConnection) -> None:
        await self._scene.show_to(browser.send)
        await browser.close()

    async def _talk(self, connection: ServerConnection) -> None:
        self._count += 1
        number, page = self._count, _Page(self._greeting)
        self._pages[number] = page
        telling = asyncio.create_task(page.keep_telling(connection))
        telling.add_done_callback(self._look_at)
        try:
            async for message in connection:
                if wrong := self._hear(number, message):
                    page.refuse(wrong)
        finally:
            telling.cancel()
            del self._pages[number]
            self._gone(number)

    def _look_at(self, task: asyncio.Task[None]) -> None:
        error = None if task.cancelled() else task.exception()
        if isinstance(error, Exception) and not isinstance(error, _Defects.EXPECTED):
            self._defect(error)


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


class _Defects(logging.Handler):
    """Pass on unexpected exceptions; a browser that leaves early or speaks no HTTP is expected."""

    EXPECTED = (WebSocketException, OSError, EOFError, asyncio.TimeoutError)

    def __init__(self, defect: Callable[[Exception], None]) -> None:
        super().__init__(logging.ERROR)
        self._defect = defect

    def emit(self, record: logging.LogRecord) -> None:
        error = record.exc_info[1] if record.exc_info else None
        if isinstance(error, Exception) and not isinstance(error, self.EXPECTED):
            self._defect(error)


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
    content = (files("quadleg.viewer") / "page" / name).read_bytes()
    content = content.replace(b"{{ first_power_up }}", FIRST_POWER_UP.encode())
    return content.replace(b"{{ stop_settings }}", html.escape(json.dumps(STOP_SETTINGS)).encode())


def _words(status: http.HTTPStatus, words: str) -> Response:
    return _response(status, f"{words}\n".encode(), {"Content-Type": "text/plain; charset=utf-8"})


def _response(status: http.HTTPStatus, content: bytes, headers: dict[str, str]) -> Response:
    every = {**headers, "Content-Length": str(len(content)), "Connection": "close"}
    return Response(status.value, status.phrase, Headers(every), content)
