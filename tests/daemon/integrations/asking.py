"""Asks the controllers of a rig.toml again and again, each second, and says who comes and goes: a process for a network
namespace.

    python asking.py RIG.toml
"""

from __future__ import annotations

import asyncio
import sys
import time
from pathlib import Path

from gloaming.daemon.integrations.reachability import Reachability
from gloaming.shows.rig.load import load_rig


async def main() -> None:
    asking = Reachability(load_rig(Path(sys.argv[1])), {}, time.time_ns)
    said: list[str] = []
    while True:
        await asking.look()
        now = [reach.text for reach in asking.found.values()]
        for text in now:
            if text not in said:
                print(text, flush=True)
        said = now
        await asyncio.sleep(1.0)


if __name__ == "__main__":
    asyncio.run(main())
