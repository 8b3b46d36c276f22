"""The acceleration of free fall, and the unit of torque that data sheets derive from it."""

STANDARD_GRAVITY = 9.80665  # m/s², exact by definition: 3rd CGPM (1901), declaration on the unit of mass
KG_CM = STANDARD_GRAVITY / 100  # N·m in one kg·cm
