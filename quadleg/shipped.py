"""Where the files are that come with quadleg beside its code."""

from __future__ import annotations

from pathlib import Path


def config_folder() -> Path:
    """The folder of the robot files and other settings that quadleg ships."""
    here = Path(__file__).resolve()
    # A virtual environment, a ROS 2 workspace and a system folder all have the package somewhere under
    # `<prefix>/lib` and this folder under `<prefix>/share`; a checkout has it beside the package.
    folders = [parent / "share/quadleg/config" for parent in here.parents] + [here.parents[1] / "config"]
    return next((folder for folder in folders if folder.is_dir()), folders[-1])
