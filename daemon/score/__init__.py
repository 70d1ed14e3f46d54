"""What the planner and the transmitter say to each other: values, and the same as JSON. Standard library only."""
