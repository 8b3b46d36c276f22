"""The words between the parent of the graph's processes and its children."""

END = b"e"  # lower, then off, then end
OFF = b"o"  # off at once, then end
READY = b"r"  # said by the child when its nodes are made
