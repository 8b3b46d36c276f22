"""Notices within a state: each is shown while it lasts, with figures that change at most once a second."""

from __future__ import annotations

from enum import Enum, auto

from quadleg.safety.catalogue import Reason

NOTICE_TIME = 1.0  # s for which a notice stays after its cause is gone, and for which its figures stay


class Notice(Enum):
    """Kinds of notices; one of each kind is shown at a time."""

    FOLLOWING = auto()
    INCOMPLETE = auto()
    SLOWED = auto()
    LIMIT = auto()
    CURRENT = auto()
    HEAT = auto()
    IDLE = auto()
    REFUSED = auto()


class NoticeBoard:
    """The notices of one state, by their kinds. Times are those of a steady clock, in s."""

    def __init__(self) -> None:
        self._notices: dict[Notice, tuple[Reason, float, float]] = {}

    def note(self, kind: Notice, reason: Reason, now: float) -> None:
        said, since, _ = self._notices.get(kind, (reason, now, now))
        if now - since > NOTICE_TIME:
            said, since = reason, now
        self._notices[kind] = (said, since, now)

    def forget(self, now: float) -> None:
        """Remove notices whose cause has been gone for NOTICE_TIME."""
        for kind, (_, _, last) in list(self._notices.items()):
            if now - last > NOTICE_TIME:
                del self._notices[kind]

    def clear(self) -> None:
        """Remove all notices: another state begins."""
        self._notices.clear()

    @property
    def failing(self) -> Reason | None:
        """The notice that the body does not follow; None if it does."""
        found = self._notices.get(Notice.FOLLOWING)
        return found[0] if found else None

    @property
    def others(self) -> tuple[Reason, ...]:
        """All other notices, the oldest first."""
        return tuple(reason for kind, (reason, _, _) in self._notices.items() if kind is not Notice.FOLLOWING)
