"""Frame files: read, written, edited, and made of any source of frames."""
