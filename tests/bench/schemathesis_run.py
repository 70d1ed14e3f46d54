"""The long run of Schemathesis: python -m tests.bench.schemathesis_run [EXAMPLES]. All checks, a real daemon."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from tests.api.daemon import Daemon
from tests.api.http.test_openapi import schemathesis


def main() -> int:
    """Print what was found; 1 where there is a failure."""
    examples = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    with tempfile.TemporaryDirectory() as folder:
        daemon = Daemon(Path(folder))
        try:
            began_s = time.monotonic()
            found = schemathesis(daemon, examples, "--phases", "examples,coverage,fuzzing,stateful")
            print(found.stdout[-6000:], f"{time.monotonic() - began_s:.0f} s, exit {found.returncode}", sep="\n")
            return found.returncode
        finally:
            daemon.stop()


if __name__ == "__main__":
    sys.exit(main())
