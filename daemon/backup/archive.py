"""The file of a backup: a tar archive (POSIX.1-2001, pax) within zstd (RFC 8878). Knows nothing of sites.

The first member says what the file is, and lists the others with size and SHA-256. A reader believes nothing else: a
member that is not listed, or is no plain file, or has other bytes, makes the whole file damaged.
"""

from __future__ import annotations

import io
import json
import tarfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from enum import StrEnum
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, BinaryIO, NamedTuple

import zstandard
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from gloaming.shows.config_files.errors import input_error

ARCHIVE_FORMAT = 1
ABOUT_MEMBER = "gloaming.json"
ABOUT_BYTES_MAX = 16 << 20
COPIED_BYTES = 1 << 20
HEADERS_BYTES_MAX = 1 << 20
"""More than any member has before its data. A hostile file could have more than the memory holds."""
WINDOW_BYTES_MAX = 8 << 20
COMPRESSION = 3
AS_ITS_USER = "call it as root, or as the user that runs Gloaming"
DAMAGED = "nothing was changed; take another copy of it"


class Purpose(StrEnum):
    """What a file is for."""

    BACKUP = "backup"
    HELP = "help"


def _member_name(name: str) -> str:
    """A name of a file below a folder. ValueError for one that could lead elsewhere."""
    parts = name.split("/")
    if not name.isprintable() or not all(parts) or {".", ".."} & set(parts) or name == ABOUT_MEMBER:
        raise ValueError("this is no name of a member")
    return name


class Member(BaseModel):
    """A file in the archive."""

    model_config = ConfigDict(frozen=True)

    name: Annotated[str, Field(max_length=4096), AfterValidator(_member_name)]
    size: Annotated[int, Field(ge=0, strict=True)]
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class About(BaseModel):
    """What the first member says. A newer program may add keys."""

    model_config = ConfigDict(frozen=True)

    format: int = ARCHIVE_FORMAT
    purpose: Purpose
    program: str
    """The version of the program that made it."""
    site: str
    made_at: str
    """ISO 8601."""
    machine: str
    board: str = ""
    """The board's name, where the site has boards."""
    left_out: tuple[str, ...] = ()
    members: tuple[Member, ...] = ()

    @property
    def size(self) -> int:
        """The bytes of all members."""
        return sum(member.size for member in self.members)


class ArchiveFile(NamedTuple):
    """A member while it is read: its bits of permission, and its data, which must be read before the next one."""

    member: Member
    mode: int
    chunks: Iterator[bytes]


def write_archive(
    out: BinaryIO,
    about: About,
    sources: Mapping[str, Path | bytes],
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> About:
    """Write files and texts to a stream, by their names in the archive; what the first member says.

    Files are read twice. `progress` takes the bytes that are written, and all of them. InputError for a file that
    changes meanwhile. OSError.
    """
    about = about.model_copy(update={"members": tuple(_measured(name, one) for name, one in sources.items())})
    done, total = 0, about.size
    head = json.dumps(about.model_dump(mode="json"), indent=1).encode()
    compressor = zstandard.ZstdCompressor(level=COMPRESSION, write_checksum=True)
    with (
        compressor.stream_writer(out, closefd=False) as packed,
        tarfile.open(fileobj=packed, mode="w|", format=tarfile.PAX_FORMAT) as tar,
    ):
        tar.addfile(_header(ABOUT_MEMBER, len(head), head), io.BytesIO(head))
        for member in about.members:
            source = sources[member.name]
            with _opened(source) as file:
                hashing = _Hashing(file)
                try:
                    tar.addfile(_header(member.name, member.size, source), hashing)
                except OSError as error:
                    if error.errno is not None:  # tarfile's own, for a file that has become shorter, has none
                        raise
                if hashing.hash.hexdigest() != member.sha256:  # one that has only grown is whole as it was
                    raise input_error(str(source), "this file changed while it was copied", "make the backup again")
            done += member.size
            progress(done, total)
    return about


def _measured(name: str, source: Path | bytes) -> Member:
    digest, size = sha256(), 0
    with _opened(source) as file:
        while chunk := file.read(COPIED_BYTES):
            digest.update(chunk)
            size += len(chunk)
    return Member(name=name, size=size, sha256=digest.hexdigest())


def _opened(source: Path | bytes) -> BinaryIO:
    try:
        return io.BytesIO(source) if isinstance(source, bytes) else source.open("rb")
    except OSError as error:
        raise input_error(str(source), f"it cannot be read ({error.strerror})", AS_ITS_USER) from None


def _header(name: str, size: int, source: Path | bytes) -> tarfile.TarInfo:
    """A header without the names of users. A text has no date of its own."""
    info = tarfile.TarInfo(name)
    info.size, info.mode = size, 0o600
    if isinstance(source, Path):
        found = source.stat()
        info.mode, info.mtime = found.st_mode & 0o777, int(found.st_mtime)
    return info


class _Hashing:
    """Hashes what tarfile reads."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self.hash = file, sha256()

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self.hash.update(data)
        return data


class _Bounded:
    """A stream of which no more than `left` bytes may be read."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream, self.left = stream, 0

    def read(self, size: int) -> bytes:
        data = self._stream.read(size)
        self.left -= len(data)
        if self.left < 0:
            raise tarfile.TarError("a header is too long")
        return data


class Archive:
    """An archive that is read once, from its beginning to its end."""

    def __init__(self, path: Path, stream: BinaryIO) -> None:
        """InputError for a file that is none, is damaged, or is of a newer program."""
        self._path = path
        self._bounded = _Bounded(stream)
        with self._damage_reported("this is no file of gloaming backup", "name a file that gloaming backup made"):
            self._bounded.left = HEADERS_BYTES_MAX
            # typeshed wants an open file; a stream is read by `read` alone. It stays open as long as this object.
            self._tar = tarfile.open(fileobj=self._bounded, mode="r|")  # type: ignore[call-overload]  # noqa: SIM115
            info = self._tar.next()
            if info is None or info.name != ABOUT_MEMBER or not 0 < info.size <= ABOUT_BYTES_MAX:
                raise tarfile.TarError(f"it does not begin with {ABOUT_MEMBER}")
        with self._damage_reported():
            found = json.loads(b"".join(self._data(info)))
            if not isinstance(found, dict) or not isinstance(found.get("format"), int):
                raise ValueError(f"{ABOUT_MEMBER} has no format")
            if found["format"] > ARCHIVE_FORMAT:
                made = f"a newer program ({found.get('program')}) made it, in format {found['format']}"
                raise input_error(path, f"{made}; this one knows {ARCHIVE_FORMAT}", "upgrade Gloaming here first")
            self.about = About.model_validate(found)
            names = {member.name for member in self.about.members}
            folders = {str(folder) for name in names for folder in PurePosixPath(name).parents}
            if len(names) < len(self.about.members) or names & folders:
                raise ValueError("two members have one name")

    def files(self) -> Iterator[ArchiveFile]:
        """The members, in their order. InputError if one is not what the first member says of it."""
        for member in self.about.members:
            with self._damage_reported():
                self._bounded.left = HEADERS_BYTES_MAX
                info = self._tar.next()
                plain = info is not None and info.type == tarfile.REGTYPE and info.sparse is None
                if info is None or not plain or (info.name, info.size) != (member.name, member.size):
                    raise tarfile.TarError(f"{member.name} is not in its place, or is no plain file")
            chunks = self._checked(info, member)
            yield ArchiveFile(member, info.mode & 0o777, chunks)
            for _ in chunks:
                pass
        with self._damage_reported():
            self._bounded.left = HEADERS_BYTES_MAX
            if self._tar.next() is not None:
                raise tarfile.TarError(f"it has more than {ABOUT_MEMBER} lists")

    def _checked(self, info: tarfile.TarInfo, member: Member) -> Iterator[bytes]:
        digest = sha256()
        with self._damage_reported():
            for chunk in self._data(info):
                digest.update(chunk)
                yield chunk
            if digest.hexdigest() != member.sha256:
                raise tarfile.TarError(f"{member.name} has other bytes than it had")

    def _data(self, info: tarfile.TarInfo) -> Iterator[bytes]:
        self._bounded.left = HEADERS_BYTES_MAX + info.size
        file = self._tar.extractfile(info)
        if file is None:
            raise tarfile.TarError(f"{info.name} is no file")
        while chunk := file.read(COPIED_BYTES):
            yield chunk

    @contextmanager
    def _damage_reported(self, what: str = "it is damaged or cut off", hint: str = DAMAGED) -> Iterator[None]:
        try:
            yield
        except ValidationError as error:
            first: Any = error.errors()[0]
            place = ".".join(map(str, first["loc"]))
            raise input_error(self._path, f"{what} ({ABOUT_MEMBER}: {place}: {first['msg']})", hint) from None
        except (tarfile.TarError, zstandard.ZstdError, EOFError, ValueError, KeyError) as error:
            raise input_error(self._path, f"{what} ({error})", hint) from None


@contextmanager
def reading_archive(path: Path) -> Iterator[Archive]:
    """An archive, from its file. InputError, OSError."""
    decompressor = zstandard.ZstdDecompressor(max_window_size=WINDOW_BYTES_MAX)
    with path.open("rb") as file, decompressor.stream_reader(file, closefd=False) as stream:
        yield Archive(path, stream)
