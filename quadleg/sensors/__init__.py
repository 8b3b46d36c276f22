"""Sensors beside the PWM chip, on the same bus: their registers, who reads them, and the same chips in memory."""
