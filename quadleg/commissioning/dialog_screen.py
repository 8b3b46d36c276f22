"""The whole terminal for one dialog: the question, its keys, what is known, and what was said.

Every key that does something is on the screen. The dialog runs in a thread, since a move takes its time; keys
that come while it moves are passed over, but for Space (pulses off) and q.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from queue import SimpleQueue
from threading import Thread
from typing import Protocol

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual.app import App, ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.events import Key
from textual.visual import VisualType
from textual.widgets import RichLog, Static

from quadleg.cautions import STILL_HELD
from quadleg.commissioning.dialog import END, Dialog, Question, run_dialog
from quadleg.errors import BoardError

# key -> step in µs
JOG_KEYS = {"left": -1, "right": 1, "down": -5, "up": 5, "pagedown": -25, "pageup": 25, "end": -100, "home": 100}
BUSY_AFTER = 0.3  # s without a question, before the screen says so: small moves would flicker
KEY = "bold #10151c on #f0e442"
JOG_HELP = (("← →", "1"), ("↓ ↑", "5"), ("PgDn PgUp", "25"), ("End Home", "100 µs"))
ALWAYS = (("Space", "pulses off, at once"), ("q", "end; what is saved stays"))
_TYPED = {"minus": "-", "full_stop": ".", "comma": ".", "plus": "+"}


class ScreenSession(Protocol):
    """What the screen shows and asks."""

    hear: Callable[[str], None] | None
    cut_at_end: bool

    @property
    def title(self) -> str: ...
    @property
    def over(self) -> str: ...
    def dialog(self) -> Dialog[bool]: ...
    def facts(self) -> list[tuple[str, str]]: ...
    def cut(self) -> None: ...


class Screen(App[None]):
    """Shows one `ScreenSession` until it ends; `hold` does it all."""

    CSS = """
    Screen { background: #10151c; }
    #title { dock: top; height: 1; background: #7f8fa3; color: #10151c; text-style: bold; padding: 0 1; }
    #keys { dock: bottom; height: 1; background: #2a3441; padding: 0 1; }
    #main { height: 1fr; }
    #ask { width: 1fr; border: round #7f8fa3; padding: 0 1; }
    #facts { width: 28; border: round #3c4a5c; padding: 0 1; }
    #said { height: 5; border: round #3c4a5c; padding: 0 1; background: #10151c; overflow-x: hidden;
            scrollbar-size-vertical: 1; }
    #typed { color: #f0e442; text-style: bold; }
    """
    ENABLE_COMMAND_PALETTE = False
    TITLE = "quadleg"

    def __init__(self, work: ScreenSession) -> None:
        super().__init__()
        self._work = work
        self._answers: SimpleQueue[str] = SimpleQueue()
        self._question: Question | None = None
        self._typed = ""
        self._passed_over = ""  # the last key that did nothing
        self._shown: dict[str, object] = {}  # what each widget shows
        self._answered = 0.0
        self._result = False
        self._error: BaseException | None = None
        self._thread = Thread(target=self._converse, daemon=True)
        work.hear = lambda sentence: self._from_dialog(self._say, sentence)

    def hold(self) -> bool:
        """Run until the dialog's end; whether all was done. Raises what ended it."""
        try:
            self.run()
        finally:
            self._answers.put(END)
            self._thread.join()
        if self._error:
            raise self._error
        return self._result

    def compose(self) -> ComposeResult:
        yield Static(id="title")
        with Vertical():
            with Horizontal(id="main"):
                with VerticalScroll(id="ask"):
                    yield Static(id="question")
                    yield Static(id="typed")
                    yield Static(id="choices")
                yield Static(id="facts")
            yield RichLog(id="said", wrap=True, markup=False, min_width=1)
        yield Static(id="keys")

    def on_mount(self) -> None:
        self.query_one("#ask").border_title = "now"
        self.query_one("#facts").border_title = "known"
        self.query_one("#said").border_title = "said so far"
        self.query_one("#said").can_focus = self.query_one("#ask").can_focus = False
        self.query_one("#keys", Static).update(_keys_in_line(ALWAYS, "   "))
        self.set_interval(0.1, self._refresh)
        self._thread.start()

    def on_key(self, event: Key) -> None:
        event.stop()
        event.prevent_default()
        if event.key == "space":
            self._cut()
        elif event.key in ("q", "ctrl+c", "ctrl+q"):
            self._end()
        elif not (self._question and self._press(event, self._question)):
            self._passed_over = event.key
        self._refresh()

    def action_quit(self) -> None:  # type: ignore[override]
        """Ctrl-C and the like end as q does."""
        self._end()

    def action_help_quit(self) -> None:
        self._end()

    def _end(self) -> None:
        if self._work.cut_at_end:
            self._cut()
        self._answer(END)

    def _press(self, event: Key, question: Question) -> bool:
        """Do what a key says; whether it says anything here."""
        self._passed_over = ""
        for choice in question.choices:
            if choice.key in (event.key, event.character):
                self._answer(choice.word)
                return True
        if question.jog and event.key in JOG_KEYS:
            self._answer(f"{JOG_KEYS[event.key]:+d}")
        elif question.number and event.key == "backspace":
            self._typed = self._typed[:-1]
        elif question.number and event.key == "enter" and self._typed:
            self._answer(f"at {self._typed}" if question.jog else self._typed)
        elif question.number and (event.character or "").isdecimal():
            self._typed += event.character or ""
        elif question.number and event.key in _TYPED:
            self._typed += _TYPED[event.key]
        else:
            return False
        return True

    def _answer(self, answer: str) -> None:
        self._question, self._typed, self._passed_over = None, "", ""
        self._answered = time.monotonic()
        self._answers.put(answer)

    def _cut(self) -> None:
        try:
            self._work.cut()
            self._say("Pulses off.")
        except BoardError as error:
            self._say(f"{STILL_HELD} {error}")

    # What is shown

    def _say(self, sentence: str) -> None:
        self.query_one("#said", RichLog).write(sentence)

    def _ask(self, question: Question) -> None:
        self._question = question
        self._refresh()

    def _refresh(self) -> None:
        if self._question and self._work.over:  # the dialog then says why
            self._answer(END)
        question = self._question
        self._update("#title", self._work.title)
        known = self._work.facts()
        self._update("#facts", _facts(known), known)
        self.query_one("#facts").display = bool(known)
        passed = f"\nThe key {self._passed_over} does nothing here.\n" if self._passed_over else ""
        if question is None:
            if time.monotonic() - self._answered > BUSY_AFTER:
                text = Text("Moving, or at work: Space stops it.\n", "bold").append(passed, "bold #e69f00")
                self._update("#question", text)
                self._update("#choices", "")
                self.query_one("#typed").display = False
        else:
            first, _, more = question.text.partition("\n")
            text = Text(f"{first}\n", "bold").append(f"\n{more}\n", "not bold")
            if question.complaint:
                text.append(f"\n{question.complaint}\n", "bold #e69f00")
            text.append(passed, "bold #e69f00")
            self._update("#question", text)
            self._update("#typed", self._entry(question))
            self.query_one("#typed").display = question.number is not None
            self._update("#choices", _choices(question), (question.jog, question.choices))

    def _update(self, where: str, drawn: VisualType, shown: object = None) -> None:
        """Show it in a widget, unless it shows that already: each update lays out the whole screen anew. `shown` stands
        for what is drawn where that cannot be compared."""
        shown = drawn if shown is None else shown
        if self._shown.get(where) != shown:
            self._shown[where] = shown
            self.query_one(where, Static).update(drawn)

    def _entry(self, question: Question) -> str:
        if not question.number:
            return ""
        return f"what you read, then Enter:  {self._typed}_ {question.number.unit}\n"

    # The dialog's thread

    def _converse(self) -> None:
        try:
            self._result = run_dialog(self._work.dialog(), self._wait)
        except Exception as error:  # shown by `hold`, in the terminal as it was
            self._error = error
        self._from_dialog(self.exit)

    def _wait(self, question: Question) -> str:
        self._from_dialog(self._ask, question)
        return self._answers.get()

    def _from_dialog(self, action: Callable[..., None], *arguments: object) -> None:
        if self.is_running:
            self.call_from_thread(action, *arguments)


def _facts(known: list[tuple[str, str]]) -> Table:
    """What is known, one heading a line."""
    table = Table.grid(padding=(0, 1))
    for heading, words in known:
        table.add_row(Text(heading, style="#9fb0c3"), words)
    return table


def _choices(question: Question) -> Group:
    """The keys that answer a question."""
    jog = [_keys_in_line(JOG_HELP)] if question.jog else []
    return Group(*jog, _keys([(choice.key, choice.label) for choice in question.choices]))


def _keys(pairs: list[tuple[str, str]]) -> Table:
    """Keys with what they do, one a line."""
    table = Table.grid(padding=(0, 1))
    for key, label in pairs:
        table.add_row(Text(f" {key} ", KEY), Text(label))
    return table


def _keys_in_line(pairs: Iterable[tuple[str, str]], apart: str = " ") -> Text:
    line = Text()
    for key, label in pairs:
        line.append(f" {key} ", KEY).append(f" {label}{apart}")
    return line
