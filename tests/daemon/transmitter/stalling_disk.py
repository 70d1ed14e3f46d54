"""A disk that stalls: a file system in user space whose reads wait until the test lets them go on.

The kernel's FUSE protocol 7.31 as in linux/fuse.h: a request has a header of 40 bytes, an answer one of 16.
"""

from __future__ import annotations

import ctypes
import errno
import os
import stat
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_libc = ctypes.CDLL(None, use_errno=True)
_LOOKUP, _FORGET, _GETATTR, _OPEN, _READ, _RELEASE, _FLUSH, _INIT = 1, 2, 3, 14, 15, 18, 25, 26
_OPENDIR, _RELEASEDIR, _BATCH_FORGET, _INTERRUPT = 27, 29, 42, 36
_MNT_DETACH, _DIRECT_IO = 2, 1


class StallingDisk:
    """Shows the files of one folder in another. Between `stall` and `go_on` a read gets no answer."""

    def __init__(self, folder: Path, mounted: Path) -> None:
        self.mounted = mounted
        self._files = dict(enumerate(sorted(path for path in folder.iterdir() if path.is_file()), start=2))
        self._going = threading.Event()
        self._going.set()
        self.reads = 0
        self._device = os.open("/dev/fuse", os.O_RDWR)
        options = f"fd={self._device},rootmode=40000,user_id=0,group_id=0".encode()
        if _libc.mount(b"stalling", str(mounted).encode(), b"fuse", 0, options):
            raise OSError(ctypes.get_errno(), "mount")
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def stall(self) -> None:
        self._going.clear()

    def go_on(self) -> None:
        self._going.set()

    def close(self) -> None:
        self._going.set()
        _libc.umount2(str(self.mounted).encode(), _MNT_DETACH)
        self._thread.join(5)
        os.close(self._device)

    def _serve(self) -> None:
        while True:
            try:
                request = os.read(self._device, 1 << 20)
            except OSError as error:
                if error.errno == errno.ENODEV:  # unmounted
                    return
                continue
            _, operation, unique, node = struct.unpack_from("=IIQQ", request)
            if operation in (_FORGET, _BATCH_FORGET, _INTERRUPT):
                continue
            try:
                answer, code = self._answer(operation, node, request[40:]), 0
            except OSError as error:
                answer, code = b"", -(error.errno or errno.EIO)
            try:
                os.write(self._device, struct.pack("=IiQ", 16 + len(answer), code, unique) + answer)
            except OSError as error:
                if error.errno == errno.ENODEV:
                    return

    def _answer(self, operation: int, node: int, body: bytes) -> bytes:
        if operation == _INIT:
            return struct.pack("=IIIIHHIIHHI28x", 7, 31, 1 << 17, 0, 12, 9, 1 << 17, 1, 32, 0, 0)
        if operation == _LOOKUP:
            name = os.fsdecode(body.split(b"\0")[0])
            found = next((number for number, path in self._files.items() if path.name == name), None)
            if found is None:
                raise FileNotFoundError(errno.ENOENT, name)
            return struct.pack("=QQQQII", found, 0, 3600, 3600, 0, 0) + self._attributes(found)
        if operation == _GETATTR:
            return struct.pack("=QII", 3600, 0, 0) + self._attributes(node)
        if operation in (_OPEN, _OPENDIR):
            return struct.pack("=QII", node, _DIRECT_IO, 0)
        if operation == _READ:
            self._going.wait()
            self.reads += 1
            _, offset, size = struct.unpack_from("=QQI", body)
            with self._files[node].open("rb") as file:
                file.seek(offset)
                return file.read(size)
        if operation in (_RELEASE, _RELEASEDIR, _FLUSH):
            return b""
        raise OSError(errno.ENOSYS, "not known")

    def _attributes(self, node: int) -> bytes:
        folder = node == 1
        size = 0 if folder else self._files[node].stat().st_size
        mode = stat.S_IFDIR | 0o755 if folder else stat.S_IFREG | 0o444
        return struct.pack("=6Q10I", node, size, (size + 511) // 512, 0, 0, 0, 0, 0, 0, mode, 1, 0, 0, 0, 4096, 0)


@contextmanager
def stalling_disk(folder: Path, mounted: Path) -> Iterator[StallingDisk]:
    mounted.mkdir()
    disk = StallingDisk(folder, mounted)
    try:
        yield disk
    finally:
        disk.close()
