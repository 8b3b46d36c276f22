"""The figures and events of a recording, and of walks and courses measured by the demo and by physics."""
