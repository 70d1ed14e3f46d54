"""How much work a call is, as a number that does not depend on the machine: the interpreter's instructions."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

Count = Callable[..., None]


def steps(call: Callable[[], object]) -> int:
    """How many instructions the Python code of a call takes. What C code does within them is not counted."""
    count = 0

    def one(*_: object) -> None:
        nonlocal count
        count += 1

    with _monitored(one) if sys.version_info >= (3, 12) else _traced(one):
        call()
    return count


@contextmanager
def _traced(one: Count) -> Iterator[None]:
    """Calls `one` for each instruction, in Python 3.11."""

    def trace(frame: FrameType, event: str, _: object) -> Any:
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        if event == "opcode":
            one()
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        yield
    finally:
        sys.settrace(before)


@contextmanager
def _monitored(one: Count) -> Iterator[None]:
    """Calls `one` for each instruction, in Python 3.12 and later, where a trace misses some of them."""
    monitoring = vars(sys)["monitoring"]
    tool, event = monitoring.PROFILER_ID, monitoring.events.INSTRUCTION
    monitoring.use_tool_id(tool, "steps")
    monitoring.register_callback(tool, event, one)
    monitoring.set_events(tool, event)
    try:
        yield
    finally:
        monitoring.set_events(tool, 0)
        monitoring.free_tool_id(tool)
