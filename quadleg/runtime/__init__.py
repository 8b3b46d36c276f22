"""The running stack: the table of nodes and the parent process that starts and ends them."""
