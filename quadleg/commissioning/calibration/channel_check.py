"""Which joint is on a channel? Seen by a wiggle; two that the file has swapped are put right there."""

from __future__ import annotations

from quadleg.commissioning.calibration.bench_servo import SKIP, YES, BenchServo, spoken
from quadleg.commissioning.dialog import Choice, Dialog
from quadleg.robot.model import JOINT_NAMES

WIGGLE = 40e-6  # s to each side: some 4°


def confirm_channel(servo: BenchServo) -> Dialog[None]:
    """Which joint is on this channel? The answer may swap two channels of the file."""
    while True:
        alone = servo.unlimited
        middle = servo.pulses.at(alone)
        for pulse in (middle + WIGGLE, middle - WIGGLE, middle + WIGGLE, middle):
            yield from servo.go(alone, pulse)
        answer = yield from servo.choose(
            "moved",
            f"Was that the {spoken(servo.name)}?\n"
            f"The servo on channel {alone.channel} has just moved a little to both sides, twice.",
            YES,
            Choice("other", "o", "no, another joint moved"),
            Choice("nothing", "n", "nothing moved"),
            Choice("two", "t", "two joints moved"),
            Choice("again", "g", "show me again"),
            SKIP,
        )
        if answer == "yes":
            return
        if answer == "nothing":
            servo.say(
                f"Nothing on channel {alone.channel}: look at the plug (brown or black to ground), at the supply's "
                f"switch, and whether the joint is blocked"
            )
        elif answer == "two":
            servo.say(
                f"Two servos are on channel {alone.channel}, by a split cable: each needs a channel of its own. "
                f"Unplug the other one"
            )
        elif answer == "other":
            others = [name for name in JOINT_NAMES if name != servo.name]
            choices = [Choice(name, key, spoken(name)) for name, key in zip(others, "abcdefghijk")]
            back = Choice("back", "z", "I am not sure: back")
            moved = yield from servo.choose("which", "Which joint moved?", *choices, back)
            if moved != back.word:
                yield from _swap(servo, moved)


def _swap(servo: BenchServo, moved: str) -> Dialog[None]:
    here, there = servo.joint.servo.channel, servo.robot.joints[JOINT_NAMES.index(moved)].servo.channel
    yield from servo.carry(servo.pulses.off)
    yield from servo.save({"servos": {servo.name: {"channel": there}, moved: {"channel": here}}})
    servo.say(
        f"The file had them swapped: {moved} is on channel {here}, so {servo.name} is taken to be on {there}. Saved."
    )
    servo.also_saved.append(f"Channels swapped: those of {servo.name} and {moved}")
    if moved in servo.saved:
        servo.say(f"{moved} was calibrated in this session with the other servo: calibrate it again")
    yield from servo.ready("")
