"""The page's server: who may come, what is bounded, and that a defect or a browser stops no other."""

from __future__ import annotations

import asyncio
import json
import re
import socket
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Awaitable, Callable, Iterable, Iterator
from contextlib import suppress
from html.parser import HTMLParser
from typing import Any

import psutil
import pytest

pytest.importorskip("websockets", reason="websockets does not import: install the extra `view`")

from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from quadleg.cautions import FIRST_POWER_UP
from quadleg.errors import PortTaken
from quadleg.viewer import bounded_connection, page_server
from quadleg.viewer.bounded_connection import FLOOD, MOST_FRAGMENTS
from quadleg.viewer.page_server import PageServer
from quadleg.viewer.stop_settings import STOP_SETTINGS

WITHIN = 5.0  # s


class FakeScene:
    """In the place of viser, which is slow to start: says who looks, and then what `more` puts into it."""

    version = "viser-v0.made.up"
    page = b"<html><head></head><body>panels<canvas></canvas></body></html>"

    def __init__(self) -> None:
        self.fails: Exception | None = None

    async def show_to(self, send: Callable[[bytes], Awaitable[None]]) -> None:
        if self.fails:
            raise self.fails
        await send(b"drawn")
        await asyncio.Event().wait()


class PageServerRig:
    """A page's server, with what its pages said."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[int, str | bytes]] = []
        self.gone: list[int] = []
        self.news = threading.Condition()
        self.defects: list[Exception] = []
        self.scene = FakeScene()
        self.server = PageServer(port, self.scene, {"robot": "made up"}, self._hear, self._gone, self._defect)

    def _defect(self, error: Exception) -> None:
        with self.news:
            self.defects.append(error)
            self.news.notify_all()

    def _hear(self, page: int, text: str | bytes) -> str:
        if text == "defect":
            raise ZeroDivisionError(text)
        with self.news:
            self.heard.append((page, text))
            self.news.notify_all()
        return "that is wrong" if text == "wrong" else ""

    def _gone(self, page: int) -> None:
        with self.news:
            self.gone.append(page)
            self.news.notify_all()

    def wait(self, true, what: str) -> None:
        with self.news:
            assert self.news.wait_for(true, WITHIN), what

    def line(self, name: str = "", path: str = "/line", **options):
        """A line to the server, under a name by which a browser may have been led to it."""
        at = socket.create_connection(("127.0.0.1", self.server.port))
        host = name or f"127.0.0.1:{self.server.port}"
        return connect(f"ws://{host}{path}", sock=at, proxy=None, **options)

    def scene_line(self):
        return self.line(path="/scene", subprotocols=[FakeScene.version])

    def raw(self, path: str = "/line", *headers: str) -> socket.socket:
        """A connection that has asked for a line, with whatever headers besides."""
        at = socket.create_connection(("127.0.0.1", self.server.port), WITHIN)
        upgrade = ("Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13")
        key = f"Sec-WebSocket-Key: {'A' * 22}=="
        hosts = () if any(each.startswith("Host:") for each in headers) else (f"Host: 127.0.0.1:{self.server.port}",)
        version = f"Sec-WebSocket-Protocol: {FakeScene.version}"
        at.sendall("\r\n".join((f"GET {path} HTTP/1.1", *hosts, *headers, *upgrade, key, version, "", "")).encode())
        return at

    def get(self, path: str, host: str = "") -> tuple[int, str, dict[str, str]]:
        request = urllib.request.Request(f"{self.server.address}{path}", headers={"Host": host} if host else {})
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        try:
            with opener.open(request, timeout=WITHIN) as answer:
                return answer.status, answer.read().decode(), dict(answer.headers)
        except urllib.error.HTTPError as error:
            return error.code, error.read().decode(), dict(error.headers)


@pytest.fixture
def served() -> Iterator[PageServerRig]:
    served = PageServerRig(0)
    yield served
    served.server.close()


def test_the_page_comes_whole_and_from_nowhere_else(served: PageServerRig) -> None:
    status, page, headers = served.get("/")
    assert status == 200
    assert "default-src 'self'" in headers["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert FIRST_POWER_UP in page
    assert "{{" not in page
    wanted = re.findall(r'(?:src|href)="([^"]+)"', page)
    assert {"stop.js", "page.js", "page.css"} <= set(wanted)
    for name in wanted:
        assert name.startswith("data:") or served.get(f"/{name}")[0] == 200
    for name in ("/page.js", "/stop.js", "/page.css"):
        assert "http" not in served.get(name)[1].replace("http://www.w3.org/2000/svg", "")


class StopSettings(HTMLParser):
    """Read the settings of STOP from the page."""

    settings: dict[str, Any]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if text := dict(attrs).get("data-settings"):
            self.settings = json.loads(text)


def test_the_page_has_what_its_stop_goes_by_before_it_hears_anything(served: PageServerRig) -> None:
    parser = StopSettings()
    parser.feed(served.get("/")[1])
    assert parser.settings == STOP_SETTINGS
    script = served.get("/stop.js")[1]
    assert all(f"settings.{name}" in script for name in STOP_SETTINGS)


def test_of_the_scene_only_the_picture_is_shown(served: PageServerRig) -> None:
    _, page, _ = served.get("/scene?websocket=ws://127.0.0.1/scene")
    assert "visibility: hidden" in page.partition("</head>")[0]
    assert "panels" in page


@pytest.mark.parametrize("path", ["/../errors.py", "/%2e%2e/errors.py", "/etc/passwd", "/page"])
def test_there_are_no_other_files(served: PageServerRig, path: str) -> None:
    status, words, _ = served.get(path)
    assert status == 404
    assert "the page is at http://127.0.0.1" in words


def test_a_name_that_only_leads_here_is_refused(served: PageServerRig) -> None:
    """DNS rebinding: a foreign page's own name may be made to lead to 127.0.0.1."""
    status, words, _ = served.get("/", host="stranger.example")
    assert status == 403
    assert "localhost" in words
    with pytest.raises(InvalidStatus) as refused:
        served.line("stranger.example:8088", origin="http://stranger.example:8088")
    assert refused.value.response.status_code == 403


@pytest.mark.parametrize("host", ["[::1", "127.0.0.1:8088\r\nHost: stranger.example", "127.0.0.1@stranger.example", ""])
def test_a_host_that_makes_no_sense_is_refused_and_is_no_defect(served: PageServerRig, host: str) -> None:
    with served.raw("/line", f"Host: {host}") as line:
        assert line.recv(100).startswith(b"HTTP/1.1 403")
    with served.raw("//[", f"Host: 127.0.0.1:{served.server.port}") as line:
        assert line.recv(100).startswith(b"HTTP/1.1 404")
    assert not served.defects


def test_two_origins_are_none(served: PageServerRig) -> None:
    ours = f"Origin: http://127.0.0.1:{served.server.port}"
    with served.raw("/line", ours, "Origin: http://stranger.example") as line:
        assert line.recv(100).startswith(b"HTTP/1.1 403")


@pytest.mark.parametrize("path", ["/line", "/scene"])
@pytest.mark.parametrize(
    "origin",
    ["http://stranger.example", "https://127.0.0.1", "http://127.0.0.1:1", "null", "http://127.0.0.1.stranger"],
)
def test_a_page_from_elsewhere_may_not_open_a_line(served: PageServerRig, origin: str, path: str) -> None:
    with pytest.raises(InvalidStatus) as refused:
        served.line(path=path, origin=origin)
    assert refused.value.response.status_code == 403
    assert b"may not steer this robot" in refused.value.response.body
    assert not served.heard


def test_our_page_may_through_a_tunnel_too(served: PageServerRig) -> None:
    for host in (f"127.0.0.1:{served.server.port}", "localhost:9000", "[::1]:9000"):
        with served.line(host, origin=f"http://{host}") as line:
            assert json.loads(line.recv(WITHIN)) == {"greeting": {"robot": "made up"}}


def test_a_refusal_goes_to_who_asked_and_news_to_all(served: PageServerRig) -> None:
    with served.line() as one, served.line() as other:
        for line in (one, other):
            assert "greeting" in json.loads(line.recv(WITHIN))
        one.send("wrong")
        assert json.loads(one.recv(WITHIN)) == {"refused": "that is wrong"}
        served.server.say({"state": 1})
        assert json.loads(one.recv(WITHIN)) == json.loads(other.recv(WITHIN)) == {"state": 1}
    served.wait(lambda: sorted(served.gone) == [1, 2], "both are gone")


def shout(line, times: int) -> None:
    for _ in range(times):
        line.send("more")
    line.recv(WITHIN)


def test_a_browser_that_floods_is_shut_out_and_the_others_stay(served: PageServerRig) -> None:
    with served.line() as calm, served.line() as wild:
        calm.recv(WITHIN)
        wild.recv(WITHIN)
        with pytest.raises(ConnectionClosed) as closed:
            shout(wild, 20 * FLOOD)
        assert closed.value.rcvd
        assert "messages a second" in closed.value.rcvd.reason
        served.wait(lambda: served.gone, "it is gone, and its hand with it")
        assert len(served.heard) <= FLOOD
        served.server.say({"state": 2})
        assert json.loads(calm.recv(WITHIN)) == {"state": 2}


def frame(opcode: int, last: bool = True, data: bytes = b"") -> bytes:
    """A frame as a browser sends it (RFC 6455, 5.2), masked with zeros."""
    return bytes([0x80 * last | opcode, 0x80 | len(data), 0, 0, 0, 0]) + data


TEXT, BINARY, CONTINUED, PING, PONG = 0x1, 0x2, 0x0, 0x9, 0xA
FLOODS = {
    "pings": frame(PING, data=b"x" * 100) * 100,
    "pongs": frame(PONG) * 100,
    "empty messages": frame(TEXT) * 100,
    "empty fragments": frame(CONTINUED, last=False) * 100,
}


def is_cut(line: socket.socket) -> bool:
    """Whether the other side ends it. A time-out is an error."""
    line.settimeout(WITHIN / 2)
    with suppress(ConnectionError):
        while line.recv(1 << 16):
            pass
    return True


def receive_all_after(line, parts: Iterable[str]) -> None:
    line.send(parts)
    for _ in line:
        pass
    line.send("")


@pytest.mark.parametrize("flood", FLOODS)
@pytest.mark.parametrize("path", ["/line", "/scene"])
def test_every_frame_counts_on_every_line(served: PageServerRig, path: str, flood: str) -> None:
    with served.raw(path) as wild:
        got = wild.recv(1 << 16)
        if "fragments" in flood:
            wild.sendall(frame(BINARY, last=False))
        with suppress(ConnectionError):
            for _ in range(1000):
                wild.sendall(FLOODS[flood])
        assert is_cut(wild)
        assert got.startswith(b"HTTP/1.1 101")
    assert len(served.heard) <= FLOOD


def test_a_message_in_a_few_parts_is_heard(served: PageServerRig) -> None:
    with served.line() as line:
        line.send(["fo", "ll", "ow"])
        served.wait(lambda: served.heard == [(1, "follow")], "it is heard")
        with pytest.raises(ConnectionClosed) as closed:
            receive_all_after(line, ("x" for _ in range(2 * MOST_FRAGMENTS)))
        assert closed.value.rcvd
        assert "parts" in closed.value.rcvd.reason


def test_what_waits_for_a_browser_that_does_not_read_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    from websockets.server import ServerProtocol

    class BlockedTransport(asyncio.Transport):
        """A connection of which nothing gets away."""

        waits = 0
        aborted = False

        def write(self, data: bytes) -> None:
            self.waits += len(data)

        def get_write_buffer_size(self) -> int:
            return self.waits

        def abort(self) -> None:
            self.aborted = True

        def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
            pass

    async def flooded() -> BlockedTransport:
        class NoHandlers:
            handlers = ()

            def start_connection_handler(self, _: object) -> None:
                pass

        line, transport = bounded_connection.BoundedConnection(ServerProtocol(), NoHandlers()), BlockedTransport()
        line.connection_made(transport)
        request = (
            "GET / HTTP/1.1",
            "Host: x",
            "Upgrade: websocket",
            "Connection: Upgrade",
            "Sec-WebSocket-Version: 13",
        )
        line.data_received("\r\n".join((*request, f"Sec-WebSocket-Key: {'A' * 22}==", "", "")).encode())
        line.protocol.send_response(line.protocol.accept(line.request))
        for _ in range(FLOOD):
            line.data_received(frame(PING, data=b"x" * 125))
        return transport

    monkeypatch.setattr(bounded_connection, "MOST_UNSENT", 10_000)
    transport = asyncio.run(flooded())
    assert transport.aborted
    assert transport.waits < 11_000


def test_connections_that_say_nothing_make_room_for_those_that_do(served: PageServerRig) -> None:
    with served.line() as first:
        first.recv(WITHIN)
        more = 20
        mute = [
            socket.create_connection(("127.0.0.1", served.server.port))
            for _ in range(bounded_connection.MOST_CONNECTIONS + more)
        ]
        assert all(map(is_cut, mute[:more]))
        with served.line() as last:
            assert "greeting" in json.loads(last.recv(WITHIN))
        served.server.say({"state": 3})
        assert json.loads(first.recv(WITHIN)) == {"state": 3}
        for one in mute:
            one.close()


def test_a_defect_is_told_and_the_others_stay(served: PageServerRig) -> None:
    with served.line() as calm:
        calm.recv(WITHIN)
        with served.line() as other:
            other.send("defect")
            served.wait(lambda: served.defects, "the defect is told")
        assert isinstance(served.defects[0], ZeroDivisionError)
        served.server.say({"state": 2})
        assert json.loads(calm.recv(WITHIN)) == {"state": 2}


def test_a_defect_of_the_scene_is_told(served: PageServerRig) -> None:
    with served.scene_line() as line:
        assert line.recv(WITHIN) == b"drawn"
    served.scene.fails = ZeroDivisionError()
    with served.scene_line():
        served.wait(lambda: served.defects, "the defect is told")


def test_a_browser_that_leaves_is_no_defect(served: PageServerRig) -> None:
    for path in ("/line", "/scene"):
        with served.raw(path) as line:
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")  # it vanishes
    with socket.create_connection(("127.0.0.1", served.server.port)) as line:
        line.sendall(b"\x16\x03\x01 this is TLS\r\n\r\n")
        assert not line.recv(1)
    with served.line() as line:
        line.recv(WITHIN)
    assert not served.defects


def test_a_browser_that_does_not_read_misses_news_and_holds_nobody_up(served: PageServerRig) -> None:
    with served.line() as fast, socket.socket() as slow:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 16)
        slow.connect(("127.0.0.1", served.server.port))
        headers = (
            f"Host: 127.0.0.1:{served.server.port}",
            *("Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13"),
            f"Sec-WebSocket-Key: {'A' * 22}==",
        )
        slow.sendall("\r\n".join(("GET /line HTTP/1.1", *headers, "", "")).encode())
        fast.recv(WITHIN)
        deadline = time.monotonic() + WITHIN
        while served.server.watched < 2:
            assert time.monotonic() < deadline
        filling = "x" * 10000
        for number in range(600):  # six megabytes, more than any socket keeps
            served.server.say({"number": number, "filling": filling})
            if number % 50 == 49:  # what a browser that reads gets in the end is the newest
                while json.loads(fast.recv(WITHIN)).get("number") != number:
                    pass
        slow.settimeout(WITHIN)
        got = b""
        while b'"number":599' not in got[-10200:]:
            more = slow.recv(1 << 16)
            assert more
            got += more
        assert got.count(b'"number"') < 600


def test_a_port_in_use_is_said_with_the_cure() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(PortTaken, match=f"port {port} of 127.0.0.1.*parameter port of viewer"):
            PageServerRig(port)


def test_it_listens_on_this_computer_alone(served: PageServerRig) -> None:
    assert page_server.HOST == "127.0.0.1"
    listening = [line.laddr for line in psutil.Process().net_connections("tcp") if line.status == psutil.CONN_LISTEN]
    assert [address.ip for address in listening if address.port == served.server.port] == ["127.0.0.1"]


def test_lines_are_bounded(served: PageServerRig) -> None:
    lines = [served.line() for _ in range(page_server.MOST_LINES)]
    with pytest.raises(InvalidStatus) as refused:
        served.line()
    assert refused.value.response.status_code == 503
    lines.pop().close()
    served.wait(lambda: served.gone, "one has left")
    deadline = time.monotonic() + WITHIN
    while True:
        try:
            lines.append(served.line())
            break
        except InvalidStatus:
            assert time.monotonic() < deadline
    for line in lines:
        line.close()
