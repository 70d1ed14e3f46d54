"""Asks the controllers of a rig.toml again and again, each second, and says who comes and goes: a process for a network
namespace.

    python asking.py RIG.toml
"""

from __future__ import annotations

import asyncio
import sys
import time
from pathlib import Path

from gloaming.daemon import reachability
from gloaming.shows.rig.model import load_rig


async def main() -> None:
    asking = reachability.Reachability(
        load_rig(Path(sys.argv[1])), time.time_ns, lambda reach: print(reach.text, flush=True)
    )
    await asking.look()
    for reach in asking.found.values():
        print(reach.text, flush=True)
    await asking.run()


if __name__ == "__main__":
    reachability.PERIOD_S = 1.0
    asyncio.run(main())
