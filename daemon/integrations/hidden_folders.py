"""Runs a program from which some folders are hidden, and which may only read others.

`python -m gloaming.daemon.integrations.hidden_folders FOLDER ... --read-only FOLDER ... -- PROGRAM ...` gives the
program a mount namespace of its own (unshare(2), mount(2)). Instead of each folder before `--read-only` the program
finds an empty one, which it may not open. A user who is not root needs a user namespace for that (user_namespaces(7)).
The program has no capability in it.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterable
from pathlib import Path

CLONE_NEWNS, CLONE_NEWUSER = 0x0002_0000, 0x1000_0000
MS_RDONLY, MS_NOSUID, MS_NODEV, MS_NOEXEC, MS_REMOUNT = 1, 2, 4, 8, 0x20
MS_BIND, MS_REC, MS_PRIVATE = 0x1000, 0x4000, 0x4_0000
READ_ONLY = "--read-only"
NOT_RUN = 126
"""The exit code if the program did not start (common practice of shells, no source)."""
_libc = ctypes.CDLL(None, use_errno=True)


def _done(result: int) -> None:
    if result:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def restrict(hidden: Iterable[Path], read_only: Iterable[Path]) -> None:
    """Hide folders from this process and all that it starts, and forbid it to write others. OSError if the machine does
    not permit it."""
    user, group = os.geteuid(), os.getegid()
    _done(_libc.unshare(CLONE_NEWNS | (CLONE_NEWUSER if user else 0)))
    if user:
        Path("/proc/self/setgroups").write_text("deny")
        Path("/proc/self/uid_map").write_text(f"{user} {user} 1")
        Path("/proc/self/gid_map").write_text(f"{group} {group} 1")
    _done(_libc.mount(b"none", b"/", None, MS_REC | MS_PRIVATE, None))
    for folder in read_only:
        _done(_libc.mount(bytes(folder), bytes(folder), None, MS_BIND | MS_REC, None))
        kept = os.statvfs(folder).f_flag & (MS_NOSUID | MS_NODEV | MS_NOEXEC)  # a user namespace may not take them off
        _done(_libc.mount(b"none", bytes(folder), None, MS_BIND | MS_REMOUNT | MS_RDONLY | kept, None))
    flags = MS_RDONLY | MS_NOSUID | MS_NODEV | MS_NOEXEC
    for folder in hidden:
        _done(_libc.mount(b"none", bytes(folder), b"tmpfs", flags, b"mode=0,size=4k"))


def command(hidden: Iterable[Path], read_only: Iterable[Path], program: Iterable[str]) -> tuple[str, ...]:
    """The command line that runs a program with hidden and with read-only folders. What is inside a hidden folder is
    hidden with it."""
    every = tuple(hidden)
    outer = {folder for folder in every if not any(other in folder.parents for other in every)}
    shown = {folder for folder in read_only if not any(other in (folder, *folder.parents) for other in every)}
    folders = (*sorted(map(str, outer)), READ_ONLY, *sorted(map(str, shown)))
    return (sys.executable, "-m", __name__, *folders, "--", *program)


def main() -> int:
    """Restrict the folders and become the program. Prints the problem if that is not possible."""
    border = sys.argv.index("--")
    middle, program = sys.argv.index(READ_ONLY), sys.argv[border + 1 :]
    hidden, read_only = (
        [Path(word) for word in words] for words in (sys.argv[1:middle], sys.argv[middle + 1 : border])
    )
    try:
        restrict(hidden, read_only)
    except OSError as error:
        where = ", ".join(map(str, (*hidden, *read_only)))
        print(f"the command did not run: {where} cannot be hidden from it ({error.strerror})", file=sys.stderr)
        return NOT_RUN
    try:
        os.execv(program[0], program)
    except OSError as error:
        print(f"{program[0]}: {error.strerror}", file=sys.stderr)
        return NOT_RUN


if __name__ == "__main__":
    sys.exit(main())
