"""From joint angles to pulses and back: the servos, twelve joints on one board, and the simulated board."""
