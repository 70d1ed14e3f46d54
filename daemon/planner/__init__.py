"""The planner: what is to be played, when and why; held by one object, handed over to the transmitter."""
