"""The messages between the planner and the transmitter, as values and as JSON. Standard library only."""
