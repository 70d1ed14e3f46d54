"""A Debian root with nothing but python3, python3-venv and git, and a clone of this repository in it."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.boot.container import debian_root, mount_copy, run
from tests.places import TOP

PACKAGES = "python3,python3-venv,git"
REACHED_BY = {"cert", "default-timeout", "index-url", "proxy", "trusted-host"}
"""Those of pip's settings that say how a registry is reached."""
ENTER = """
for each in proc sys dev; do mount --rbind "/$each" "$0/$each"; done
exec chroot "$0" sh -c "$1"
"""


def clone(folder: Path) -> Path:
    """The newest commit, as a user gets it."""
    run("git", "clone", "--quiet", "--no-hardlinks", str(TOP), str(folder))
    return folder


class FreshRoot:
    """`run` runs a shell's line in the clone."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.clone = clone(root / "root/gloaming")
        shutil.copy("/etc/resolv.conf", root / "etc/resolv.conf")
        self._environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "COLUMNS": "200"}
        for line in run(sys.executable, "-m", "pip", "config", "list").splitlines():
            key, _, value = line.partition("=")
            name = key.rpartition(".")[2]
            if name in REACHED_BY:
                self._environment[f"PIP_{name.upper().replace('-', '_')}"] = str(ast.literal_eval(value))
        if certificates := self._environment.get("PIP_CERT"):
            (root / certificates[1:]).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(certificates, root / certificates[1:])
        self._environment |= {key: value for key, value in os.environ.items() if key.lower().endswith("_proxy")}

    def run(self, line: str) -> subprocess.CompletedProcess[str]:
        """A line to its end, in the network of whoever calls; what it printed is in `stdout`, errors too."""
        words = ["unshare", "--mount", "--pid", "--fork", "--kill-child", "sh", "-ec", ENTER, str(self.root)]
        return subprocess.run(
            [*words, f"cd /root/gloaming && {line}"],
            env=self._environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=900,
            check=False,
        )


@contextmanager
def fresh_root(folder: Path) -> Iterator[FreshRoot]:
    root = mount_copy(debian_root(PACKAGES), folder)
    try:
        yield FreshRoot(root)
    finally:
        run("umount", str(root))
