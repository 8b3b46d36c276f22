"""The tables of topics and services against what else tells of them: the README and the signals of a recording."""

from __future__ import annotations

import re
from pathlib import Path

from quadleg.recording import signal_table
from quadleg.robot.model import LEGS
from quadleg.teleop.stack_link import Service
from quadleg.topic_table import SERVICES, TOPICS, full_name

README = Path(__file__).parents[1] / "README.md"


def documented() -> dict[str, str]:
    """Topic to type, as the README's table has them; `<leg>` stands for each leg."""
    section = README.read_text(encoding="utf-8").partition("\n## Topics and services\n")[2].partition("\n## ")[0]
    found: dict[str, str] = {}
    for row in re.findall(r"^\| (`.*?) \| (.*?) \|", section, re.MULTILINE):
        names, types = (re.findall(pattern, cell) for pattern, cell in zip((r"`([^`]+)`", r"\b\w+_msgs/\w+"), row))
        found |= dict(zip(names, types if len(types) == len(names) else types[:1] * len(names)))
    return found


def test_the_readme_has_each_topic_with_its_type() -> None:
    known = {name: topic.type.replace("/msg/", "/") for name, topic in TOPICS.items()}
    told = documented()
    assert told.pop("<leg>/foot_target") == known[f"{LEGS[0]}/foot_target"]
    told |= {f"{leg}/foot_target": known[f"{leg}/foot_target"] for leg in LEGS}
    assert told.pop("<node>/status") == known["gait/status"]
    told |= {name: kind for name, kind in known.items() if name.endswith("/status")}
    assert told == {name: kind for name, kind in known.items() if name != "/tf_static"}


def test_the_readme_has_each_service_with_its_type() -> None:
    section = README.read_text(encoding="utf-8").partition("\nServices: ")[2].partition("\n\n")[0]
    told = dict(re.findall(r"`([^`]+)` \((std_srvs/\w+)", section))
    known = {name: kind.replace("/srv/", "/") for name, kind in SERVICES.items()}
    assert told == {name: kind for name, kind in known.items() if kind.startswith("std_srvs/")}


def test_what_an_operator_calls_is_a_service() -> None:
    assert {each.value for each in Service} <= SERVICES.keys()


def test_each_signal_of_a_recording_is_a_topic() -> None:
    assert signal_table.TOPICS.keys() <= TOPICS.keys()


def test_names_in_a_namespace() -> None:
    assert full_name("cmd_vel", "/lab/left") == full_name("cmd_vel", "/lab/left/") == "/lab/left/cmd_vel"
    assert full_name("state", "/") == "/state"
    assert full_name("/tf", "/lab") == "/tf"
