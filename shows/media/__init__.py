"""Pictures, video, arrays and sound, to frames and from frames."""
