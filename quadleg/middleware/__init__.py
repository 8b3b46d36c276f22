"""What a node needs of ROS 2: parameters, publishers, subscriptions, timers, services, and a process to run in."""
