"""A YAML file checked against a JSON Schema: its data, the line of each key, and every fault found so far.

Nothing here knows what a robot is.
"""

from __future__ import annotations

import difflib
import math
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator, ValidationError, validators
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from ruamel.yaml.nodes import MappingNode, Node, SequenceNode

from quadleg.errors import Fault, RobotFileError

Key = tuple[Any, ...]

# No schema here goes deeper, and an alias within its own anchor has no end.
_DEEPEST = 6


def _is_finite_number(_checker: object, value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return isinstance(value, int) or math.isfinite(value)


# JSON has no NaN and no infinity, but YAML has, and each would pass every `minimum`.
_Validator = validators.extend(
    Draft202012Validator,
    type_checker=Draft202012Validator.TYPE_CHECKER.redefine("number", _is_finite_number),
)


class Document:
    """One file, read and checked against `schema`.

    `data` is its content as plain dicts, lists and scalars; `faults` are those of the syntax, of the
    keys and of the schema, to which whoever knows the meaning adds by `fault`. A key is the tuple of
    names and indices that leads to a value, e.g. `("servos", "front_left_hip", "channel")`.

    Raises RobotFileError at once only where there is no mapping to look into.
    """

    def __init__(self, path: Path, schema: dict[str, Any]) -> None:
        self.path = path
        self._faults: dict[Key, Fault] = {}
        self._lines: dict[Key, int] = {(): 1}
        self.data: dict[str, Any] = self._parse(_read_text(path), schema)
        self._check(schema)

    @property
    def faults(self) -> list[Fault]:
        return list(self._faults.values())

    def fault(self, remedy: str, *key: Any) -> None:
        """Record a fault of the value at `key`. The first one of a key stands: later ones follow from it."""
        if key in self._faults:
            return
        place, value = key, self.value(*key)
        while place not in self._lines:
            place = place[:-1]
        shown = value if not isinstance(value, (dict, list)) or _is_flat(value) else None
        self._faults[key] = Fault(self.path, self._lines[place], _dotted(key), shown, remedy)

    def value(self, *key: Any) -> Any:
        """What stands at `key`, None where nothing does."""
        value: Any = self.data
        for part in key:
            try:
                value = value[part]
            except (KeyError, IndexError, TypeError):
                return None
        return value

    def sound(self, *key: Any) -> bool:
        """Whether no fault was found at `key`, in it, or around it."""
        return not any(fault[: len(key)] == key[: len(fault)] for fault in self._faults)

    def _parse(self, text: str, schema: dict[str, Any]) -> dict[str, Any]:
        try:
            root, data = _yaml().compose(text), _yaml().load(text)
        except (YAMLError, ValueError, RecursionError) as error:
            raise RobotFileError([Fault(self.path, *_syntax_fault(error, text))]) from None
        if not isinstance(data, dict):
            found = "is empty" if data is None else f"holds {_kind_of(data)}"
            remedy = f"{found}: write `key: value` lines with the keys {_listed(schema['properties'])}"
            raise RobotFileError([Fault(self.path, 1, "the whole file", None, remedy)])
        self._walk(root, ())
        return data

    def _walk(self, node: Node, key: Key) -> None:
        """Note the line of every key, and the keys that stand twice."""
        if len(key) >= _DEEPEST:
            return
        if isinstance(node, SequenceNode):
            for index, item in enumerate(node.value):
                inner = (*key, index)
                self._lines[inner] = item.start_mark.line + 1
                self._walk(item, inner)
        elif isinstance(node, MappingNode):
            for name, value in node.value:
                inner, line = (*key, str(name.value)), name.start_mark.line + 1
                if inner in self._lines:
                    remedy = f"both here and on line {self._lines[inner]}: keep one of the two"
                    self._faults[inner] = Fault(self.path, line, _dotted(inner), None, remedy)
                else:
                    self._lines[inner] = line
                    self._walk(value, inner)

    def _check(self, schema: dict[str, Any]) -> None:
        for error in _Validator(schema).iter_errors(self.data):
            key = tuple(error.absolute_path)
            if error.validator in ("required", "dependentRequired", "additionalProperties"):
                self._check_keys(key, error)
            elif "propertyNames" in error.absolute_schema_path:
                self.fault(f"not a name: write {_expected(error.schema)}", *key, error.instance)
            else:
                self.fault(f"write {_expected(error.schema)}", *key)

    def _check_keys(self, section: Key, error: ValidationError) -> None:
        schema: Any = error.schema
        present: Any = error.instance
        known = schema["properties"]
        wanted = list(schema.get("required", ()))
        for key, others in schema.get("dependentRequired", {}).items():
            wanted += others if key in present else ()
        missing = {key for key in wanted if key not in present}
        for key in present:
            if key in known:
                continue
            choices = difflib.get_close_matches(str(key), sorted(missing), n=1)
            choices = choices or difflib.get_close_matches(str(key), list(known), n=1)
            missing -= set(choices)  # One slip of the pen is one fault, not also a key that is missing.
            meant = f"did you mean `{choices[0]}`?" if choices else f"the keys here are {_listed(known)}"
            self.fault(f"no key of {_section(section)}: {meant}", *section, key)
        for key in sorted(missing):
            remedy = f"missing in {_section(section)}: write `{key}:`, {known[key]['description']}"
            self.fault(remedy, *section, key)


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        line, remedy = error.object[: error.start].count(b"\n") + 1, "is not UTF-8: save it as UTF-8 text"
    except FileNotFoundError:
        line, remedy = 1, "does not exist: give the path of a robot file"
    except IsADirectoryError:
        line, remedy = 1, "is a folder: give the path of a robot file in it"
    except OSError as error:
        line, remedy = 1, f"cannot be read ({error.strerror}): give a file that you may read"
    raise RobotFileError([Fault(path, line, "the whole file", None, remedy)])


def _yaml() -> YAML:
    yaml = YAML(typ="safe", pure=True)
    # Told by Document._walk, which finds every one of them.
    yaml.allow_duplicate_keys = True
    return yaml


def _syntax_fault(error: Exception, text: str) -> tuple[int, str, None, str]:
    """Line, key, value and remedy of text that is no YAML."""
    mark = getattr(error, "problem_mark", None)
    position = mark.index if mark is not None else getattr(error, "position", 0)
    problem = getattr(error, "problem", None) or getattr(error, "reason", None) or str(error)
    remedy = f"is no YAML from here on ({problem}): correct this line or the one before it"
    return text.count("\n", 0, position) + 1, "syntax", None, remedy


def _expected(schema: dict[str, Any]) -> str:
    """In words, what `schema` asks for."""
    if "enum" in schema:
        said = _listed(schema["enum"], "or")
    elif schema["type"] == "object":
        keys = schema.get("properties")
        said = f"a section with the keys {_listed(keys)}" if keys else "a section with names of your own"
    elif schema["type"] == "array":
        said = f"a list of {schema['minItems']} numbers"
    elif schema["type"] == "string":
        said = "text"
    else:
        said = "a whole number" if schema["type"] == "integer" else "a number"
        said += f" from {schema['minimum']} to {schema['maximum']}"
        said += ", not 0" if "not" in schema else ""
    return f"{said} ({schema['description']})" if "description" in schema else said


def _dotted(key: Key) -> str:
    written = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in key)
    return written.lstrip(".")


def _section(key: Key) -> str:
    return f"`{_dotted(key)}`" if key else "the file"


def _listed(words: Any, last: str = "and") -> str:
    *most, end = [str(word) for word in words]
    return f"{', '.join(most)} {last} {end}" if most else end


def _kind_of(value: object) -> str:
    return "a list" if isinstance(value, list) else "a single value"


def _is_flat(value: Any) -> bool:
    return isinstance(value, list) and not any(isinstance(item, (dict, list)) for item in value)
