"""The workstation: window, command line and pictures on top of planner_core."""
