"""What a copper wire carries, and the voltage that it loses.

IEC 60204-1 (electrical equipment of machines), table 6: copper with PVC insulation in air of 40 °C, installed freely
(column E); below 0.75 mm² its rows for pairs in electronics. unverified: compare with the table itself.
"""

from __future__ import annotations

TABLE = {
    0.2: 4.4,
    0.5: 7.8,
    0.75: 10.4,
    1.0: 12.4,
    1.5: 16.1,
    2.5: 22.0,
    4.0: 30.0,
    6.0: 37.0,
    10.0: 52.0,
    16.0: 70.0,
    25.0: 88.0,
}  # mm²: A

RESISTIVITY = 1.7241e-8  # Ω·m, of annealed copper at 20 °C: IEC 60028; unverified: compare with its text


def capacity(area: float) -> float:
    """The current in A that a wire of a cross-section in m² carries: that of the next thinner one in the table.

    0 for a wire thinner than the table's; the last entry for a thicker one.
    """
    return max((most for size, most in TABLE.items() if size <= area * 1e6 + 1e-9), default=0.0)


def size_for(current: float, least: float = 0.0) -> float | None:
    """The thinnest cross-section in m² of the table, at least `least`, that carries a current in A; None: none."""
    return next((size / 1e6 for size, most in TABLE.items() if most >= current and size / 1e6 >= least), None)


def drop(area: float, length: float, current: float) -> float:
    """The voltage in V that a wire of an area in m² and a length in m, there and back, loses at a current in A."""
    return 2 * RESISTIVITY * length / area * current


def area_for(lost: float, length: float, current: float) -> float:
    """The cross-section in m² with which a wire loses a voltage in V, as `drop` has it."""
    return 2 * RESISTIVITY * length * current / lost
