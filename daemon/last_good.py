"""The site's files as they were when they were last read without a mistake: for a start when they have one."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from gloaming.daemon.private_file import write_private
from gloaming.daemon.site import Site, load_site

FILES = ("site.toml", "rig.toml")
FOLDER = "last-good"


def keep_good(folder: Path, state: Path) -> None:
    """Copy the files of a site that has just been read, where they differ from what is kept; they may hold secrets."""
    kept = state / FOLDER
    with suppress(OSError, ValueError):  # a full disk is told by the state, a fresh edit that is no text by its reading
        kept.mkdir(mode=0o700, exist_ok=True)
        for name in FILES:
            text, there = (folder / name).read_text(encoding="utf-8"), kept / name
            if not there.exists() or there.read_bytes() != text.encode():
                write_private(there, text)


def load_good(folder: Path, state: Path) -> Site:
    """The site as its files were then, with the pieces as they are now. MistakeError where nothing good is kept."""
    return load_site(folder, strict=False, written=state / FOLDER)
