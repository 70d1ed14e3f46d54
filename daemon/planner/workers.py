"""Work in a process of its own: a module that runs as a program and prints JSON objects, one a line."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from asyncio.subprocess import DEVNULL, PIPE
from collections.abc import Callable
from contextlib import suppress
from typing import Any

Message = dict[str, Any]
REPORT_BYTES_MAX = 1 << 20


async def ask(
    module: str, *arguments: str, limit_s: float | None = None, report: Callable[[Message], None] | None = None
) -> Message | None:
    """The last object that a module prints. None if it prints none, or does not end in time. `report` gets each object
    as it comes. The process has ended when this returns."""
    command, env = [sys.executable, "-m", module, *arguments], {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    try:
        process = await asyncio.create_subprocess_exec(
            *command, stdout=PIPE, stderr=DEVNULL, stdin=DEVNULL, env=env, limit=REPORT_BYTES_MAX
        )
    except OSError:
        return None
    assert process.stdout
    found: Message | None = None
    try:
        async with asyncio.timeout(limit_s):
            async for line in process.stdout:
                message = json.loads(line)
                if not isinstance(message, dict):
                    return None
                found = message
                if report:
                    report(found)
            await process.wait()
    except (ValueError, TimeoutError):
        return None
    finally:
        if process.returncode is None:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    return found
