"""Which site a command is for, and where the state of its planner is."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from gloaming.shows.config_files.errors import ConfigError, InputError

VARIABLE = "GLOAMING_SITE"
BOARD_SITE, BOARD_STATE = Path("/etc/gloaming/site"), Path("/var/lib/gloaming")
"""The site of the installed service, and its state."""
SITE_FILE = "site.toml"


def site_of(args: argparse.Namespace, *others: str, otherwise: Path | None = None) -> Path:
    """The site of a call: SITE, else $GLOAMING_SITE, else the folder one stands in, else the board's, else `otherwise`.

    A folder is a site if it has site.toml, or one of the `others`. InputError where there is none.
    """
    if args.site is not None:
        return Path(args.site)
    if named := os.environ.get(VARIABLE):
        refuse_no_site(Path(named), *others, name=f"${VARIABLE}: {named}")
        return Path(named)
    if _has(Path(), SITE_FILE, *others):
        return Path()
    if _has(BOARD_SITE, SITE_FILE, *others) or BOARD_STATE.exists():
        return BOARD_SITE
    if otherwise is not None:
        return otherwise
    files = " or ".join((SITE_FILE, *others))
    problem = (
        f"none is named, ${VARIABLE} is not set, there is no {files} in {Path.cwd()}, and there is no {BOARD_SITE}"
    )
    raise InputError(ConfigError("no site", None, None, problem, "name its folder, as gloaming now SITE"))


def refuse_no_site(folder: Path, *others: str, name: str = "") -> None:
    """InputError unless the folder has site.toml, one of the `others`, or the `state` of a planner, which runs on."""
    if not _has(folder, SITE_FILE, "state", *others):
        problem = f"it has no {SITE_FILE}" if folder.is_dir() else "there is no such folder"
        raise InputError(ConfigError(f"{name or folder} is not a site", None, None, problem))


def state_folder(site: Path, given: Path | None) -> Path:
    """The folder of a site's state: the one given, the service manager's, the board's, or `state` in the site."""
    usual = BOARD_STATE if site.absolute() == BOARD_SITE else site / "state"
    return (given or Path(os.environ.get("STATE_DIRECTORY") or usual)).absolute()


def _has(folder: Path, *files: str) -> bool:
    """Whether one of these is there. A folder that may not be read counts: whoever reads the file then reports that."""
    for file in files:
        try:
            (folder / file).stat()
        except (FileNotFoundError, NotADirectoryError):
            continue
        except PermissionError:
            pass
        return True
    return False
