"""What the kernel says of its clock, and which program keeps it."""

from __future__ import annotations

import ctypes
import subprocess
from pathlib import Path

import pytest

from gloaming.daemon.planner import kernel_clock
from gloaming.daemon.planner.kernel_clock import KernelClock, KernelClockReader, clock_program
from tests.tools import needs
from tests.waiting import wait_until

MS = 1_000_000


@needs("C headers", "gcc")
def test_the_kernel_s_word_is_read_as_the_c_library_has_it(tmp_path: Path) -> None:
    """Against a program of <sys/timex.h>, compiled here: also where the fields of its struct lie."""
    source = tmp_path / "timex.c"
    source.write_text(
        "#include <stddef.h>\n#include <stdio.h>\n#include <sys/timex.h>\n"
        "int main(void) { struct timex t = {0}; int a = adjtimex(&t);\n"
        'printf("%d %zu %zu %zu %zu", a >= 0 && a != TIME_ERROR && !(t.status & STA_UNSYNC), sizeof t,\n'
        "offsetof(struct timex, maxerror), offsetof(struct timex, esterror), offsetof(struct timex, status)); }\n"
    )
    subprocess.run(["gcc", "-o", tmp_path / "timex", source], check=True)
    said = subprocess.run([tmp_path / "timex"], capture_output=True, text=True, check=True).stdout.split()
    timex = kernel_clock._Timex
    assert KernelClockReader().read().synchronised == (said[0] == "1")
    assert ctypes.sizeof(timex) >= int(said[1])
    assert [timex.maxerror.offset, timex.esterror.offset, timex.status.offset] == [int(at) for at in said[2:]]


class Kernel:
    """In the place of the C library: adjtimex(2) with what a test sets."""

    def __init__(self, answer: int = 0, **fields: int) -> None:
        self.answer, self.fields = answer, fields

    def adjtimex(self, timex: object) -> int:
        for name, value in self.fields.items():
            setattr(timex._obj, name, value)  # type: ignore[attr-defined]  # what byref points to
        return self.answer


@pytest.mark.parametrize(
    ("kernel", "found"),
    [
        (Kernel(maxerror=1500, esterror=20), KernelClock(True, 3 * MS // 2, MS // 50, "chronyd")),
        (Kernel(maxerror=1500, esterror=0), KernelClock(True, None, None, "chronyd")),
        (Kernel(maxerror=1500, esterror=16_000_000), KernelClock(True, None, None, "chronyd")),
        (Kernel(maxerror=1500, esterror=20, status=0x40), KernelClock()),
        (Kernel(5, maxerror=16_000_000, esterror=16_000_000), KernelClock()),
    ],
    ids=["chronyd", "systemd-timesyncd", "phc2sys", "STA_UNSYNC", "TIME_ERROR"],
)
def test_an_error_is_known_only_where_a_program_has_told_the_kernel(
    monkeypatch: pytest.MonkeyPatch, kernel: Kernel, found: KernelClock
) -> None:
    """adjtimex(2): microseconds. systemd-timesyncd sets both errors to 0. phc2sys leaves esterror as the kernel has it
    at boot, which is NTP_PHASE_LIMIT (both from memory of their sources)."""
    monkeypatch.setattr(kernel_clock, "clock_program", lambda: "chronyd")
    reader = KernelClockReader()
    reader._libc = kernel  # type: ignore[assignment]  # it has the one call
    assert reader.read() == found


@pytest.mark.parametrize(("forbidden", "flag"), [(-1, True), (-1, False)])
def test_where_the_call_is_forbidden_the_flag_of_systemd_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, forbidden: int, flag: bool
) -> None:
    monkeypatch.setattr(kernel_clock, "SYNCHRONISED_FLAG", tmp_path if flag else tmp_path / "none")
    reader = KernelClockReader()
    reader._libc = Kernel(forbidden)  # type: ignore[assignment]  # it has the one call
    assert (reader.read().synchronised, reader.read().error_ns) == (flag, None)


def test_a_program_is_seen_among_the_processes(tmp_path: Path) -> None:
    """A process of that name, in the machine's own /proc. phc2sys counts before all others that may run here."""
    program = tmp_path / "phc2sys"
    program.symlink_to("/bin/sleep")
    with subprocess.Popen([program, "60"]) as process:
        try:
            wait_until(lambda: clock_program(groups=tmp_path) == "phc2sys", "the name, just after the program began")
        finally:
            process.kill()
    assert clock_program(tmp_path, tmp_path) is None


@pytest.mark.parametrize(
    ("unit", "program"),
    [
        ("system.slice/chrony.service", "chronyd"),
        ("systemd/system.slice/systemd-timesyncd.service", "systemd-timesyncd"),
        ("system.slice/system-phc2sys.slice", "phc2sys"),
        ("system.slice/cron.service", None),
    ],
)
def test_the_service_on_a_board_sees_the_unit(tmp_path: Path, unit: str, program: str | None) -> None:
    """ProtectProc=invisible hides the process of another user; the group of a unit that runs is there for all."""
    (tmp_path / unit).mkdir(parents=True)
    assert clock_program(tmp_path, tmp_path) == program
