"""What is on the wires: buses and boards, the chips on them, sensors that come back, and the output-enable pin."""
