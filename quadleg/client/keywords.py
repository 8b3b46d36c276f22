"""Arguments of `Robot`: keywords only, with the unit in the name, and finite numbers within what makes sense."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from math import hypot, isfinite
from numbers import Real
from typing import Any, TypeVar, cast

from quadleg.errors import Refused

Method = TypeVar("Method", bound=Callable[..., Any])

LIKELY_MM_S = 2.0  # m/s: so fast a walk is one in mm/s by mistake
LIKELY_METRES = 1.0  # mm: a smaller height is one in metres by mistake
LEAST_WALK = 3.0  # mm: walk_to stops so near to its goal (walking.STOPS_WITHIN), so a nearer one would not move it
LIKELY_WALK = 10.0  # mm: a nearer place is one in metres by mistake, unless the tolerance asked for is smaller still
ROUNDING = 1e-6  # mm: what a zero can be after some arithmetic


def keywords_only(**old: str) -> Callable[[Method], Method]:
    """Make a method refuse positional arguments and names that it had before, naming those that it has.

    `old` gives for each earlier name what to write now. Raises TypeError.
    """

    def decorate(method: Method) -> Method:
        names = [name for name in inspect.signature(method).parameters if name != "self"]

        @functools.wraps(method)
        def checked(self: Any, *arguments: Any, **keywords: Any) -> Any:
            call = method.__name__
            if arguments:
                form = ", ".join(f"{name}=..." for name in names)
                raise TypeError(f"{call}() takes keywords with the unit in their name, not positions: {call}({form})")
            for name in keywords:
                if name in old:
                    raise TypeError(f"{call}() has no '{name}' any more: write {old[name]}")
            return method(self, **keywords)

        return cast(Method, checked)

    return decorate


def check_numbers(**values: Any) -> None:
    """Raise Refused, with the name, unless every value is a finite number."""
    for name, value in values.items():
        if isinstance(value, bool) or not isinstance(value, Real) or not isfinite(value):
            raise Refused(f"{name} is {value!r}, which is not a number, as 150 or -4.5 would be")


def check_seconds(seconds: float) -> None:
    """Raise Refused unless a time is more than nothing."""
    check_numbers(seconds=seconds)
    if seconds <= 0:
        raise Refused(f"seconds is {seconds:g}; it must be greater than 0")


def check_speeds(**speeds: float) -> None:
    """Raise Refused for speeds (m/s) that are ones in mm/s by mistake: no robot of this kind is so fast."""
    check_numbers(**speeds)
    for name, speed in speeds.items():
        if abs(speed) >= LIKELY_MM_S:
            raise Refused(f"{name} is {speed:g}: did you mean {speed / 1000:g} m/s, which is {speed:g} mm/s?")


def check_height(height_mm: float, name: str = "height_mm") -> None:
    """Raise Refused for a height that is negative, or in metres by mistake."""
    check_numbers(**{name: height_mm})
    if height_mm < 0:
        raise Refused(f"{name} is {height_mm:g}; it is that of the hip axes above the ground and cannot be negative")
    if 0 < height_mm < LIKELY_METRES:
        raise Refused(f"{name} is {height_mm:g}: did you mean {1000 * height_mm:g} mm?")


def check_place(x_mm: float, y_mm: float, within_mm: float) -> None:
    """Raise Refused for a place so near that it is one in metres by mistake.

    A walk of less than `LEAST_WALK` would not begin; one of less than `LIKELY_WALK` is meant only where `within_mm`,
    the tolerance, is smaller than the walk.
    """
    check_numbers(x_mm=x_mm, y_mm=y_mm, within_mm=within_mm)
    distance = hypot(x_mm, y_mm)
    if distance <= ROUNDING or distance >= LIKELY_WALK or (distance >= LEAST_WALK and within_mm < distance):
        return
    if distance < LEAST_WALK:
        remedy = f"A walk of less than {LEAST_WALK:g} mm would not begin"
    else:
        remedy = (
            f"That is within the tolerance of {within_mm:g} mm; for so short a walk give walk_to a smaller within_mm"
        )
    raise Refused(
        f"the place is {x_mm:g} mm forward and {y_mm:g} mm to the left: did you mean {1000 * x_mm:g} mm and "
        f"{1000 * y_mm:g} mm? {remedy}; 0 and 0 turn on the spot"
    )
