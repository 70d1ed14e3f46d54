"""Sound: a process of its own plays it, and the frames follow what the device has really played."""
