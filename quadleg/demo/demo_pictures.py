"""The pictures that `quadleg demo` ends with."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console

from quadleg.demo.demo_record import DemoRecord


def draw_pictures(console: Console, record: DemoRecord, picture: Path) -> None:
    """Draw poses, walks and course beside `picture`, and say where; without matplotlib say that none is drawn."""
    try:
        from quadleg.plotting.animation import animate
        from quadleg.plotting.course_plots import course_figure
        from quadleg.plotting.pose_plots import demo_figure
        from quadleg.plotting.sheet import save_png
        from quadleg.plotting.walk_plots import walk_figure
    except ImportError:
        console.print("No picture: it needs matplotlib, which the extra `log` installs", markup=False)
        return
    save_png(demo_figure(record.model, record.steps, record.history), picture)
    walking = picture.with_stem(f"{picture.stem}_walk")
    save_png(walk_figure(record.model, record.walks()), walking)
    pictures = [picture, walking]
    if record.course:
        pictures += [picture.with_stem(f"{picture.stem}_course"), picture.with_name(f"{picture.stem}_course.gif")]
        save_png(course_figure(record.model, record.course), pictures[2])
        animate(record.model, record.course, pictures[3])
    console.print("Pictures: " + "\n          ".join(str(path.resolve()) for path in pictures), soft_wrap=True)
