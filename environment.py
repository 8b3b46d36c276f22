"""Makes `.venv` in the checkout and installs quadleg there. Called by make: environment.py EXTRA [EXTRA ...].

Plain Python without requirements, in words that even an old interpreter reads, since its first duty is to
say in one sentence when this computer or its Python will not do.
"""

import hashlib
import os
import platform
import subprocess
import sys

HERE = os.path.dirname(os.path.abspath(__file__))
VENV = os.path.join(HERE, ".venv")
VENV_PYTHON = os.path.join(VENV, "bin", "python")
OLDEST, NEWEST = (3, 10), (3, 13)


def version_of(python):
    """(major, minor) of an interpreter; None where there is none."""
    code = "import sys; print(sys.version_info[0], sys.version_info[1])"
    try:
        answer = subprocess.check_output([python, "-c", code], stderr=subprocess.DEVNULL)
    except (OSError, subprocess.CalledProcessError):
        return None
    major, minor = answer.split()
    return int(major), int(minor)


def imports_rclpy(python):
    """Whether a ROS 2 is sourced for this interpreter."""
    with open(os.devnull, "w") as nowhere:
        return subprocess.call([python, "-c", "import rclpy"], stdout=nowhere, stderr=nowhere) == 0


def fitting_python():
    """The first interpreter on the path that quadleg runs on; None where there is none."""
    for python in [sys.executable, "python3.12", "python3.13", "python3.11", "python3.10"]:
        version = version_of(python)
        if version and OLDEST <= version <= NEWEST:
            return python
    return None


def wheels_fit():
    """Whether ROS 2 wheels exist for this computer."""
    return sys.platform.startswith("linux") and platform.machine() in ("x86_64", "AMD64")


def say(text):
    """One sentence for the person."""
    sys.stderr.write("quadleg: " + text + "\n")


def stamp(extras, python):
    """What the environment was made from; another stamp means that it has to be made up to date."""
    made_from = hashlib.sha256()
    with open(os.path.join(HERE, "setup.py"), "rb") as setup:
        made_from.update(setup.read())
    made_from.update(repr((sorted(extras), version_of(python))).encode())
    return made_from.hexdigest()


def main(wanted):
    """Makes the environment with the extras wanted; the exit code."""
    python = sys.executable
    sourced = imports_rclpy(python)
    if not sourced:
        python = fitting_python()
    if python is None:
        say(
            "this needs Python 3.10 to 3.13 and python3 is %d.%d; install one of them (on Debian or Ubuntu: "
            "apt install python3.12 python3.12-venv) and run make again." % sys.version_info[:2]
        )
        return 1
    extras = set(wanted)
    if sourced:
        extras.discard("ros")
    elif not wheels_fit():
        cure = "there are no ROS 2 wheels for %s on %s: source a ROS 2 (Jazzy or later) and run make again" % (
            platform.machine(),
            platform.system(),
        )
        if "test" not in extras:
            say(cure + "; the parts without ROS install with `pip install .`")
            return 1
        say(cure + "; only what needs no ROS is tested now.")
        extras.discard("ros")
    mark = os.path.join(VENV, "made-from")
    installed = open(mark).read().split("\n") if os.path.exists(mark) else [""]
    have = set(installed[1:])
    extras |= have - {"ros"}
    if installed[0] == stamp(extras, python):
        return 0
    say("installing into %s; the first time takes a minute or two" % os.path.relpath(VENV))
    make = [python, "-m", "venv", VENV] + (["--system-site-packages"] if sourced else [])
    # Python compiles what is used when it is first used: to compile all at once takes half a minute.
    pip = [VENV_PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-compile"]
    if subprocess.call(make):
        say("`%s` failed; on Debian or Ubuntu: apt install python3-venv, then run make again." % " ".join(make))
        return 1
    if subprocess.call([*pip, "--editable", "%s[%s]" % (HERE, ",".join(sorted(extras)))]):
        say("the installation failed; what pip says above names the package. With a network, run make again.")
        return 1
    with open(mark, "w") as file:
        file.write("\n".join([stamp(extras, python), *sorted(extras)]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
