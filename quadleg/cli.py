import sys
from .runner import Runner, Plan
from .robot.load import load_robot, find_robot
def main():
    r = load_robot(find_robot("greenhouse_inspector"))
    sys.exit(Runner(Plan(r)).run())
