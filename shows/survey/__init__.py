"""The arithmetic of a survey: the rig as it is wired, currents, flashes. No clock, no network."""
