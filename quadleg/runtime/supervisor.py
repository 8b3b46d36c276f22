"""What the parent of the graph's processes decides: who is started again, how all end, when the pulses are cut.

It knows no process and no clock of its own: `start` makes a process, `tick` brings it on. All times are those of a
steady clock, in s.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from quadleg.cautions import IF_POWERED
from quadleg.errors import QuadlegError
from quadleg.middleware.ipc import END, OFF
from quadleg.runtime.node_table import GRAPH, SERVO_OUTPUT, NodeEntry

MOST_DEATHS = 3  # of one process
DEATHS_WITHIN = 20.0  # s
END_TIME = 25.0  # s that lowering and switching off may take before the children are ended hard
OFF_TIME = 2.0  # s that a child may take to switch off before it is ended hard
LINGER_TIME = 5.0  # s that a process may take to end after its line has; then it is ended hard
KILL_TIME = 1.0  # s after a SIGKILL; what is still there waits for hardware in the kernel
FULL_OFF_TIME = 3.0  # s that a board is tried for, where the parent has to switch the pulses off


class ChildProcess(Protocol):
    """One process and the line to it."""

    def tell(self, word: bytes) -> None:
        """Say a word of ipc.py to it; one that died hears nothing."""

    def exit_code(self) -> int | None:
        """Return its exit code, below 0 where a signal ended it; None while it runs."""

    def kill(self) -> None:
        """End it by SIGKILL."""

    def hang_up(self) -> None:
        """Close the line to it."""


@dataclass
class Child:
    """One process of the graph, as its parent sees it."""

    name: str
    entries: Sequence[NodeEntry]
    process: ChildProcess | None = None
    line_ended: float | None = None  # s
    killed: float | None = None  # s
    ready: bool = False
    was_ready: bool = False  # once in this run
    deaths: list[float] = field(default_factory=list)

    @property
    def needed(self) -> bool:
        """Whether the robot cannot do without it."""
        return any(entry in GRAPH for entry in self.entries)


class Supervisor:
    """The children of one parent. `start` starts one, `full_off` writes the board's pulses off and raises QuadlegError
    where it cannot, `say` takes sentences for the person at the terminal.

    Tell it what children say (`is_ready`, `line_ends`), call `interrupt` for each Ctrl-C or SIGTERM, and `tick` now and
    then, until nothing is `running`; then there is an `exit_code`.
    """

    def __init__(
        self,
        table: Mapping[str, Sequence[NodeEntry]],
        start: Callable[[Child], ChildProcess],
        full_off: Callable[[], None],
        say: Callable[[str], None],
    ) -> None:
        self._start_process = start
        self._full_off = full_off
        self._say = say
        self.children = [Child(name, entries) for name, entries in table.items()]
        self._interrupts = 0
        self._ending_since: float | None = None
        self._off_since: float | None = None
        self._full_off_until: float | None = None
        self.exit_code = 0

    @property
    def running(self) -> bool:
        """Whether a child is there, or the pulses have to be switched off."""
        return self._full_off_until is not None or any(child.process for child in self.children)

    @property
    def leaving(self) -> bool:
        """Whether a child is about to end, so that a tick soon finds it gone."""
        return any(child.line_ended is not None for child in self.children)

    @property
    def all_ready(self) -> bool:
        """Whether all that the robot needs is ready."""
        return all(child.ready for child in self.children if child.needed)

    def begin(self) -> None:
        """Start all children."""
        for child in self.children:
            self._start(child)

    def is_ready(self, child: Child) -> None:
        """A child has said that it is ready."""
        child.ready = child.was_ready = True

    def line_ends(self, child: Child, now: float) -> None:
        """A child's line has ended: it has died, or is about to end."""
        if child.process and child.line_ended is None:
            child.process.hang_up()
            child.line_ended = now

    def interrupt(self) -> None:
        """A person wants it to end; the second time, at once."""
        self._interrupts += 1

    def tick(self, now: float) -> None:
        """Bring all on that is due."""
        for child in self.children:
            self._see_out(child, now)
        if self._interrupts and self._ending_since is None:
            self._end("ending: a robot that is powered is lowered first; Ctrl-C again switches off at once", now)
        if self._interrupts > 1:
            self._interrupts = 1
            self._say("switching off at once")
            self._off(now)
        if self._ending_since is not None and self._off_since is None and now - self._ending_since > END_TIME:
            self._say(f"no orderly end within {END_TIME:g} s; switching off")
            self._off(now)
        if self._full_off_until is not None:
            self._try_full_off(self._full_off_until, now)

    def _start(self, child: Child) -> None:
        child.process = self._start_process(child)
        child.line_ended, child.killed, child.ready = None, None, False

    def _end(self, why: str, now: float) -> None:
        self._say(why)
        self._ending_since = now
        self._tell(END)

    def _off(self, now: float) -> None:
        """Tell all to switch off; what does not obey is ended hard."""
        self._off_since = now
        self._tell(OFF)

    def _tell(self, word: bytes) -> None:
        for child in self.children:
            if child.process and child.line_ended is None:
                child.process.tell(word)

    def _see_out(self, child: Child, now: float) -> None:
        """Bury a child that has ended; end one hard that stays too long, and give up one that survives that."""
        process = child.process
        if process is None:
            return
        code = process.exit_code()
        if code is not None:
            self._bury(child, code, now)
        elif child.killed is not None:
            if now - child.killed > KILL_TIME:
                self._give_up(child, now)
        elif _over(child.line_ended, LINGER_TIME, now) or _over(self._off_since, OFF_TIME, now):
            process.kill()
            child.killed = now

    def _give_up(self, child: Child, now: float) -> None:
        self.line_ends(child, now)
        child.process = child.line_ended = None
        self.exit_code = 1
        self._say(f"{child.name} does not end, not even by SIGKILL: it waits for hardware in the kernel. {IF_POWERED}")
        if child.name == SERVO_OUTPUT:
            self._full_off_until = now + FULL_OFF_TIME
        if self._ending_since is None:
            self._end("ending", now)

    def _bury(self, child: Child, code: int, now: float) -> None:
        """A child has ended: it died, or it ended as it was told."""
        self.line_ends(child, now)
        child.process = child.line_ended = None
        if self._ending_since is not None:
            if code and child.name == SERVO_OUTPUT:
                self._full_off_until = now + FULL_OFF_TIME
            return
        how = f"was ended by signal {-code}" if code < 0 else f"ended with exit code {code}"
        child.deaths = [death for death in child.deaths if now - death < DEATHS_WITHIN] + [now]
        never_ready = not child.was_ready and code > 0
        if not (never_ready or len(child.deaths) > MOST_DEATHS):
            self._say(f"{child.name} {how}; it is started again")
            self._start(child)
            return
        self._say(f"{child.name} {how} and will not start")
        if not child.needed:
            return
        if child.name == SERVO_OUTPUT:
            self._full_off_until = now + FULL_OFF_TIME
        self.exit_code = 1
        self._end("ending", now)

    def _try_full_off(self, until: float, now: float) -> None:
        try:
            self._full_off()
        except QuadlegError as error:
            if now < until:
                return
            self._say(f"the pulses could not be switched off: {error}. {IF_POWERED}")
        else:
            self._say("pulses switched off by the parent")
        self._full_off_until = None


def _over(since: float | None, seconds: float, now: float) -> bool:
    """Whether more than so many seconds have passed since a time, if there is one."""
    return since is not None and now - since > seconds
