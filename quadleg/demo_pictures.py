"""The pictures that `quadleg demo` ends with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

if TYPE_CHECKING:
    from quadleg.demo import Demo


def draw_pictures(console: Console, demo: Demo, picture: Path) -> None:
    """Draw poses, walks and course beside `picture`, and say where; without matplotlib say that none is drawn."""
    try:
        from quadleg.recording.animation import animate
        from quadleg.recording.course_plots import course_picture
        from quadleg.recording.plots import demo_picture
        from quadleg.recording.walk_plots import walk_picture
    except ImportError:
        console.print("No picture: it needs matplotlib, which the extra `log` installs", markup=False)
        return
    demo_picture(demo.model, demo.steps, demo.history, picture)
    walking = picture.with_stem(f"{picture.stem}_walk")
    walk_picture(demo.model, demo.walks(), walking)
    pictures = [picture, walking]
    if demo.course:
        pictures += [picture.with_stem(f"{picture.stem}_course"), picture.with_name(f"{picture.stem}_course.gif")]
        course_picture(demo.model, demo.course, pictures[2])
        animate(demo.model, demo.course, pictures[3])
    console.print("Pictures: " + "\n          ".join(str(path.resolve()) for path in pictures), soft_wrap=True)
