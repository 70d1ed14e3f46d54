"""What tests need beside Python, and the Debian package of each; `python3 tests/tools.py` lists what is missing."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pytest

PACKAGES = {
    "C headers": "libc6-dev",
    "alsa-pulse": "libasound2-plugins",
    "bash-completion": "bash-completion",
    "chromium": "chromium",
    "chronyd": "chrony",
    "curl": "curl",
    "dbus-run-session": "dbus-daemon",
    "debootstrap": "debootstrap",
    "editcap": "wireshark-common",
    "faketime": "faketime",
    "fish": "fish",
    "fonts": "fonts-dejavu-core",
    "gcc": "gcc",
    "git": "git",
    "ip": "iproute2",
    "libfaketime": "libfaketime",
    "mandoc": "mandoc",
    "mosquitto": "mosquitto",
    "mosquitto_passwd": "mosquitto",
    "nft": "nftables",
    "node": "nodejs",
    "npm": "npm",
    "openssl": "openssl",
    "pactl": "pulseaudio-utils",
    "parec": "pulseaudio-utils",
    "pipewire": "pipewire",
    "pipewire-pulse": "pipewire-pulse",
    "portaudio": "libportaudio2",
    "promtool": "prometheus",
    "pulseaudio": "pulseaudio",
    "sqlite3": "sqlite3",
    "sysctl": "procps",
    "systemd-nspawn": "systemd-container",
    "tc": "iproute2",
    "tshark": "tshark",
    "wireplumber": "wireplumber",
    "zsh": "zsh",
    "zstd": "zstd",
}
"""Programs, and files by the names of `FILES`."""
FILES = {
    "C headers": "usr/include/stdio.h",
    "alsa-pulse": "usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so",
    "bash-completion": "usr/share/bash-completion/bash_completion",
    "fonts": "usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
    "libfaketime": "usr/lib/*/faketime/libfaketimeMT.so.1",
    "portaudio": "usr/lib/*/libportaudio.so.2",
}
"""Where they lie; a star stands for the machine's kind."""
RIGHTS = {
    "root": "only root may do this",
    "user namespaces": "this machine permits no user namespaces, as in a chroot (unshare(2))",
}
"""What no package brings, and what is said where it is missing."""
_path = f"{os.environ['PATH']}:/usr/sbin:/sbin"  # daemons are there, for everybody


def needs(*tools: str) -> pytest.MarkDecorator:
    """Mark tests that need these tools, or a right of `RIGHTS`: they are skipped where one is missing.

    KeyError for a tool without a package.
    """
    import pytest

    for tool in tools:
        assert tool in RIGHTS or PACKAGES[tool]
    return pytest.mark.needs(*tools)


def missing(tools: Iterable[str]) -> str:
    """What this machine lacks of these and what to do; "" if nothing."""
    absent = [tool for tool in tools if tool not in RIGHTS and not find(tool)]
    packages = dict.fromkeys(PACKAGES[tool] for tool in absent)
    said = [f"no {', '.join(absent)} here: apt-get install {' '.join(packages)}"] if absent else []
    if "root" in tools and os.geteuid():
        said.append(RIGHTS["root"])
    if "user namespaces" in tools and subprocess.run(["unshare", "--user", "true"], capture_output=True).returncode:
        said.append(RIGHTS["user namespaces"])
    return "; ".join(said)


def find(tool: str) -> str | None:
    """Where a tool is; None if it is not installed."""
    if tool in FILES:
        return next(map(str, Path("/").glob(FILES[tool])), None)
    return shutil.which(tool, path=_path)


if __name__ == "__main__":
    print(*sorted({package for tool, package in PACKAGES.items() if not find(tool)}))
