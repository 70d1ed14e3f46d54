"""Frame files: reading, writing, editing, and making them from any source of frames."""
