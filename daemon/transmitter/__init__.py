"""Now: the process that holds a score, a frame clock and sockets. Imports no web framework and no pydantic."""
