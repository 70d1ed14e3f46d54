"""A card that takes its time: what a program writes and syncs below a folder waits, while a test says so.

By a library that is loaded before the C library's own (ld.so(8), LD_PRELOAD), compiled here.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

SOURCE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static void wait_for(int fd) {
    char link[64], path[4096];
    const char *folder = getenv("SLOW_FOLDER"), *how = getenv("SLOW_SECONDS_FILE");
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0 || !folder || !how || strncmp(path, folder, strlen(folder))) return;
    double seconds = 0;
    FILE *file = fopen(how, "r");
    if (!file) return;
    if (fscanf(file, "%lf", &seconds) != 1) seconds = 0;
    fclose(file);
    for (int step = 0; step < seconds * 100 && !access(how, F_OK); step++) usleep(10000);
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
int fsync(int fd) { wait_for(fd); return REAL(fsync)(fd); }
int fdatasync(int fd) { wait_for(fd); return REAL(fdatasync)(fd); }
int ftruncate64(int fd, off64_t size) { wait_for(fd); return REAL(ftruncate64)(fd, size); }
"""


class SlowDisk:
    """Writes below a folder are slow while it is `slow`; `environment` is for the programs that write there."""

    def __init__(self, work: Path, folder: Path) -> None:
        work.mkdir()
        (work / "slow.c").write_text(SOURCE)
        library, self._seconds = work / "slow.so", work / "seconds"
        subprocess.run(["gcc", "-shared", "-fPIC", "-o", library, work / "slow.c", "-ldl"], check=True)
        self.environment = {
            "LD_PRELOAD": str(library),
            "SLOW_FOLDER": str(folder),
            "SLOW_SECONDS_FILE": str(self._seconds),
        }

    def slow(self, seconds: float) -> None:
        """Each sync takes so long from now on."""
        self._seconds.write_text(str(seconds))

    def go_on(self) -> None:
        self._seconds.unlink()
