"""Pictures, videos and arrays to frames and back; sound files."""
