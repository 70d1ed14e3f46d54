"""The arithmetic of the survey: currents, flashes, areas, wiring. It reads no clock."""
