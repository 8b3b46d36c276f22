"""From a pile of parts to a robot that is safe to switch on: each part is used alone at a bench, and needs no ROS."""
