"""Texts of site.toml and rig.toml that are not the site's files, or not yet: checked as `load_site` checks files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory

from gloaming.daemon.site.last_good import FILES
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.promised_hours import Promise
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError
from gloaming.shows.rig.model import Rig

Files = Mapping[str, bytes]
"""The contents of site.toml and rig.toml, by name. A file that is missing is empty."""


@dataclass(frozen=True, slots=True)
class TextError:
    """A mistake in one of the texts, or a warning: `file` is its name, `line` counts from 1."""

    file: str
    line: int | None
    key: str | None
    text: str
    code: ConfigErrorCode

    @classmethod
    def of(cls, error: ConfigError) -> TextError:
        text = f"{error.problem}; {error.hint}" if error.hint else error.problem
        return cls(Path(error.file).name, error.line, error.key, " ".join(text.split()), error.code)

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return ": ".join(part for part in (place, self.key, self.text) if part)


@dataclass(frozen=True, slots=True)
class CheckedTexts:
    """What texts make: the site, or the mistakes that prevent one. `promise` is None where it cannot be read."""

    site: Site | None
    promise: Promise | None
    errors: tuple[TextError, ...] = ()
    warnings: tuple[TextError, ...] = ()


def read_files(folder: Path) -> Files:
    """The files as they are on the disk. OSError."""
    found = {}
    for name in FILES:
        try:
            found[name] = (folder / name).read_bytes()
        except FileNotFoundError:
            found[name] = b""
    return found


def digest(files: Files) -> str:
    """The version of two files: other contents have another one."""
    return sha256(b"".join(sha256(files[name]).digest() for name in FILES)).hexdigest()[:32]


def texts(files: Files) -> dict[str, str]:
    """The files as texts. What is no UTF-8 is replaced; the check of the files names it."""
    return {name: files[name].decode(errors="replace") for name in FILES}


def check_files(
    files: Files, folder: Path, at: datetime, rig: Rig | None = None, staged: Mapping[Path, Path] | None = None
) -> CheckedTexts:
    """Check contents as if they were the files of a site's folder, whose pieces they name. `rig` is what this rig.toml
    holds, if it was read already: that of 10,000 strings takes seconds. `staged` is as of `load_site`. OSError."""
    with TemporaryDirectory(prefix="gloaming-") as written:
        for name in FILES:
            (Path(written) / name).write_bytes(files[name])
        try:
            site = load_site(folder, at, strict=False, written=Path(written), rig=rig, staged=staged)
        except InputError as error:
            return CheckedTexts(None, _promise(Path(written)), tuple(map(TextError.of, error.errors)))
    return CheckedTexts(site, Promise.of(site), warnings=tuple(map(TextError.of, site.notices)))


def promise_of(files: Files, where: str) -> Promise | None:
    """What files promise the neighbours, although they may have mistakes elsewhere. None where that cannot be read."""
    with TemporaryDirectory(prefix="gloaming-") as written:
        for name in FILES:
            (Path(written) / name).write_bytes(files[name])
        return _promise(Path(written), where)


def _promise(folder: Path, where: str = "") -> Promise | None:
    try:
        return Promise.read(folder, where)
    except InputError:
        return None
