"""The site's files as they were when they were last read without a mistake: for a start when they have one."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from gloaming.daemon.site import Site, load_site

FILES = ("site.toml", "rig.toml")
FOLDER = "last-good"


def keep_good(folder: Path, state: Path) -> None:
    """Copy the files of a site that has just been read, where they differ from what is kept; for nobody else's eyes."""
    kept = state / FOLDER
    with suppress(OSError):  # a disk that takes nothing is told by the state, and keeps what it has
        kept.mkdir(mode=0o700, exist_ok=True)
        for name in FILES:
            text, there, new = (folder / name).read_bytes(), kept / name, kept / f"{name}.new"
            if there.exists() and there.read_bytes() == text:
                continue
            with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            new.replace(there)


def load_good(folder: Path, state: Path) -> Site:
    """The site as its files were then, with the pieces as they are now. MistakeError where nothing good is kept."""
    return load_site(folder, strict=False, written=state / FOLDER)
