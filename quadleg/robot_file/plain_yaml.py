"""YAML as quadleg reads it: of bounded size and depth, and each value written where it stands.

What refers to another place (aliases, merges) or asks for a type of its own (tags) is refused with its line: a few
lines of aliases stand for any amount of data. ROS 2's own parameter files know no aliases either
(rcl_yaml_param_parser, src/parse.c: "Will not support aliasing at line").
"""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.composer import Composer
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.events import AliasEvent, ScalarEvent
from ruamel.yaml.nodes import MappingNode, Node

from quadleg.errors import shortened

MOST_BYTES = 200_000  # of a file; the demo robot's has 7 kB, half of it comments
MOST_NODES = 10_000  # keys, values and lists of a file; the demo robot's has 300
DEEPEST = 20  # lists and sections within each other; a robot file has four
LONGEST = 1_000  # characters of one value
_USUAL_TAGS = ("str", "int", "float", "bool", "null", "seq", "map")


class NotPlain(MarkedYAMLError):
    """YAML that quadleg does not read; `remedy` says what would be right."""

    def __init__(self, remedy: str, event: Any) -> None:
        super().__init__(None, None, remedy, event.start_mark)
        self.remedy = remedy


class _PlainComposer(Composer):
    """Refuses what is not plain as soon as it comes, before anything is made of it."""

    _nodes = 0

    def compose_node(self, parent: Any, index: Any) -> Node:
        event = self.parser.peek_event()
        self._nodes += 1
        if isinstance(event, AliasEvent):
            anchor = shortened(event.anchor, 40)
            raise NotPlain(f"`*{anchor}` refers to another place: write its value here once more", event)
        if self._nodes > MOST_NODES:
            raise NotPlain(f"there are more than {MOST_NODES} values: is this the right file?", event)
        if self.depth >= DEEPEST:
            raise NotPlain(f"lists or sections are more than {DEEPEST} deep in each other: take some away", event)
        if event.tag is not None and event.tag.removeprefix("tag:yaml.org,2002:") not in _USUAL_TAGS:
            raise NotPlain(f"`{shortened(event.tag, 40)}` is a tag: write the value without it", event)
        if isinstance(event, ScalarEvent):
            if len(event.value) > LONGEST:
                raise NotPlain(f"a value of {len(event.value)} characters: {LONGEST} are the most", event)
            if event.value == "<<" and event.implicit[0]:
                raise NotPlain("`<<` takes keys from another place: write those keys here once more", event)
        elif isinstance(parent, MappingNode) and index is None:
            raise NotPlain("a list or section stands where a key should: write a word", event)
        return super().compose_node(parent, index)


def plain_yaml(kind: str = "safe") -> YAML:
    """A reader of ruamel's `kind` that raises NotPlain for what is not plain; for one text."""
    yaml = YAML(typ=kind, pure=True)
    yaml.Composer = _PlainComposer
    return yaml


def bounded_text(path: Path) -> str:
    """The text of a file.

    Raises OSError, also for what is larger than `MOST_BYTES` or no file at all (a pipe would be waited for without
    end), and UnicodeDecodeError.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        raise OSError(errno.EINVAL, "it is no file on a disk", str(path))
    with path.open("rb") as file:
        content = file.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise OSError(errno.EFBIG, f"it has more than {MOST_BYTES // 1000} kB", str(path))
    return content.decode("utf-8")
