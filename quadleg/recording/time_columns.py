"""Names in an exported table that are of no topic; those of topics are `Columns` of signal_table.py.

A module of its own, since the command's help tells of one, and signal_table.py takes time to import.
"""

from __future__ import annotations

TIME = "time_s"  # since the recording began
UNIX_TIME = "unix_time_s"  # the system clock's
MODELLED_END = "_modelled"  # how the name of a column ends that follows from a model
