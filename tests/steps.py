"""How much work a call is, as a number that does not depend on the machine: the interpreter's instructions."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any


def steps(call: Callable[[], object]) -> int:
    """How many instructions the Python code of a call takes. What C code does within them is not counted."""
    count = 0

    def trace(frame: FrameType, event: str, _: object) -> Any:
        nonlocal count
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        count += event == "opcode"
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        call()
    finally:
        sys.settrace(before)
    return count
