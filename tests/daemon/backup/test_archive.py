"""The file of a backup: other programs read it. A damaged or a hostile one is refused."""

from __future__ import annotations

import io
import json
import subprocess
import tarfile
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
import zstandard

from gloaming.daemon.backup.archive import About, Purpose, reading_archive, write_archive
from gloaming.shows.config_files.errors import InputError
from tests.tools import needs

ABOUT = About(
    purpose=Purpose.BACKUP, program="1", site="Pier Road", made_at="2026-12-12T18:00:00+00:00", machine="quay"
)
TEXTS = {"site/site.toml": b"[site]\n", "site/pieces/über.frames": bytes(range(256)) * 9000}


def written(path: Path, texts: dict[str, bytes] = TEXTS) -> Path:
    with path.open("wb") as file:
        write_archive(file, ABOUT, texts)
    return path


def read(path: Path) -> dict[str, bytes]:
    with reading_archive(path) as archive:
        return {one.member.name: b"".join(one.chunks) for one in archive.files()}


def listing(name: str, data: bytes) -> dict[str, object]:
    return {"name": name, "size": len(data), "sha256": sha256(data).hexdigest()}


def forged(
    path: Path,
    members: list[tuple[tarfile.TarInfo, bytes]],
    listed: list[dict[str, object]] | None = None,
    **about: object,
) -> Path:
    """An archive of some members. Its first one lists them, or something else."""
    true = [listing(one.name, data) for one, data in members]
    head = ABOUT.model_dump(mode="json") | {"members": true if listed is None else listed} | about
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w", format=tarfile.PAX_FORMAT) as tar:
        text = json.dumps(head).encode()
        for info, data in [(tarfile.TarInfo("gloaming.json"), text), *members]:
            info.size = len(data)
            tar.addfile(info, io.BytesIO(data))
    path.write_bytes(zstandard.compress(packed.getvalue()))
    return path


def link(name: str, kind: bytes = tarfile.SYMTYPE) -> tarfile.TarInfo:
    info = tarfile.TarInfo(name)
    info.type, info.linkname = kind, "/etc/passwd"
    return info


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read(path)
    (error,) = caught.value.errors
    assert str(error).startswith(str(path))
    return error.problem


def test_what_was_written_is_read(tmp_path: Path) -> None:
    path = written(tmp_path / "one")
    assert read(path) == TEXTS
    with reading_archive(path) as archive:
        assert archive.about.site == "Pier Road"
        assert [one.name for one in archive.about.members] == list(TEXTS)


@needs("zstd")
def test_tar_and_zstd_read_it(tmp_path: Path) -> None:
    """GNU tar and the zstd program (RFC 8878) are the other readers."""
    path = written(tmp_path / "one")
    unpack = f"zstd -dcq {path} | tar -x -C {tmp_path}"
    subprocess.run(["sh", "-c", unpack], check=True)
    assert {name: (tmp_path / name).read_bytes() for name in TEXTS} == TEXTS
    assert json.loads((tmp_path / "gloaming.json").read_text())["purpose"] == "backup"


@pytest.mark.parametrize("share", [0, 0.01, 0.3, 0.7, 0.99])
def test_a_file_that_is_cut_off_is_refused(share: float, tmp_path: Path) -> None:
    path = written(tmp_path / "one")
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    assert "damaged or cut off" in refusal(path) or "no file of gloaming backup" in refusal(path)


def test_a_file_with_any_other_byte_is_refused_or_reads_the_same(tmp_path: Path) -> None:
    path = written(tmp_path / "one", {"site/site.toml": b"[site]\nname = 'Pier Road'\n"})
    data, whole = path.read_bytes(), read(path)
    refused = 0
    for at in range(0, len(data), 7):
        path.write_bytes(data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :])
        try:
            assert read(path) == whole  # a byte of padding
        except InputError:
            refused += 1
    assert refused > len(data) // 7 * 0.9


def test_a_file_of_a_newer_program_names_it(tmp_path: Path) -> None:
    problem = refusal(forged(tmp_path / "one", [], format=2, program="9.1", purpose="something new"))
    assert problem == "a newer program (9.1) made it, in format 2; this one knows 1"


def test_a_key_of_a_newer_program_in_the_same_format_is_no_mistake(tmp_path: Path) -> None:
    assert read(forged(tmp_path / "one", [(tarfile.TarInfo("site/a"), b"1")], more=1)) == {"site/a": b"1"}


@pytest.mark.parametrize(
    "name",
    ["/etc/passwd", "../site.toml", "site/../../x", "site//x", "./site/x", "site/", "site/a\nb", "gloaming.json"],
)
def test_a_name_that_could_lead_elsewhere_is_refused(name: str, tmp_path: Path) -> None:
    path = forged(tmp_path / "one", [], [listing(name, b"1")])
    assert "no name of a member" in refusal(path)


@pytest.mark.parametrize(
    "kind", [tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.CHRTYPE, tarfile.FIFOTYPE, tarfile.DIRTYPE, tarfile.CONTTYPE]
)
def test_what_is_no_plain_file_is_refused(kind: bytes, tmp_path: Path) -> None:
    assert "is no plain file" in refusal(forged(tmp_path / "one", [(link("site/site.toml", kind), b"")]))


A = tarfile.TarInfo("site/a")


def unlisted(path: Path) -> Path:
    return forged(path, [(A, b"1")], [])


def other_bytes(path: Path) -> Path:
    return forged(path, [(A, b"1")], [listing("site/a", b"2")])


def other_size(path: Path) -> Path:
    return forged(path, [(A, b"1")], [listing("site/a", b"1") | {"size": 2}])


def twice(path: Path) -> Path:
    return forged(path, [(A, b"1"), (A, b"1")])


def file_and_folder(path: Path) -> Path:
    return forged(path, [(A, b"1"), (tarfile.TarInfo("site/a/b"), b"1")])


def missing(path: Path) -> Path:
    return forged(path, [], [listing("site/a", b"1")])


def no_first(path: Path) -> Path:
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        tar.addfile(tarfile.TarInfo("site/site.toml"), io.BytesIO())
    path.write_bytes(zstandard.compress(packed.getvalue()))
    return path


def long_header(path: Path) -> Path:
    """A header of pax that would fill the memory, if it were longer: 3 MB of one letter."""
    info = tarfile.TarInfo("site/a")
    info.pax_headers = {"comment": "x" * (3 << 20)}
    return forged(path, [(info, b"1")])


@pytest.mark.parametrize(
    "forge", [unlisted, other_bytes, other_size, twice, file_and_folder, missing, no_first, long_header]
)
def test_what_differs_from_the_first_member_is_refused(forge: Callable[[Path], Path], tmp_path: Path) -> None:
    refusal(forge(tmp_path / "one"))


class Changing(io.BytesIO):
    """Another program writes a file once the first member was written."""

    def __init__(self, path: Path, later: bytes) -> None:
        super().__init__()
        self.path, self.later = path, later

    def write(self, data: Any) -> int:
        self.path.write_bytes(self.later)
        return super().write(data)


@pytest.mark.parametrize("later", [b"b" * 5000, b"a" * 400])
def test_a_file_that_changes_while_it_is_copied_is_named(later: bytes, tmp_path: Path) -> None:
    piece = tmp_path / "tide.frames"
    piece.write_bytes(b"a" * 5000)
    with pytest.raises(InputError, match=r"tide\.frames: this file changed while it was copied"):
        write_archive(Changing(piece, later), ABOUT, {"site/big": bytes(4 << 20), "site/tide.frames": piece})


def test_a_file_that_grows_while_it_is_copied_is_there_as_it_was(tmp_path: Path) -> None:
    log = tmp_path / "log"
    log.write_bytes(b"a" * 5000)
    out = Changing(log, b"a" * 6000)
    write_archive(out, ABOUT, {"site/big": bytes(4 << 20), "site/log": log})
    (tmp_path / "one").write_bytes(out.getvalue())
    assert read(tmp_path / "one")["site/log"] == b"a" * 5000
