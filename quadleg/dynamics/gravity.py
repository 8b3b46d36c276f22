"""The acceleration of free fall."""

STANDARD_GRAVITY = 9.80665  # m/s², exact by definition: 3rd CGPM (1901), declaration on the unit of mass
