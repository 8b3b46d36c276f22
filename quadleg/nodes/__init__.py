"""The ROS 2 nodes: one file a node, each a thin shell over a module that knows no ROS."""
