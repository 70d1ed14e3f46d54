"""Damaged frame files by the thousand: each must give a clear error or play what is whole.

    python -m tests.bench.framefile_damage 20000 [SEED]

Prints one JSON object; exit 1 if a frame was played that was never written, if anything but a clear error came out of
the reader, if a file took longer than 10 s, or if the memory went above 200 MB.
"""

from __future__ import annotations

import functools
import json
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import zstandard

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.layout import HEAD, seal
from gloaming.shows.framefile.reader import DamagedChunkError, FrameReader, Frames, FrameWriter, Universe

MEMORY_MB = 200
HANG_S = 10
Originals = list[tuple[bytes, Frames]]


def originals(folder: Path) -> Originals:
    """Whole files: a picture that moves, noise twice with the same shape, a single small chunk."""
    frames = np.arange(400, dtype=np.int64)[:, None] * 3 + np.arange(1500)[None]
    pictures = [(frames % 256).astype(np.uint8)]
    pictures += [np.random.default_rng(seed).integers(0, 256, (300, 1000), np.uint8) for seed in (1, 2)]
    pictures.append(pictures[0][:5, :6].copy())
    made = []
    for picture in pictures:
        rig = [
            Universe(n + 1, min(500, picture.shape[1] - at), at) for n, at in enumerate(range(0, picture.shape[1], 500))
        ]
        with FrameWriter(folder / "whole.frames", Fraction(40), rig) as writer:
            writer.write(picture)
        made.append(((folder / "whole.frames").read_bytes(), picture))
    return made


def page_bytes(data: bytearray) -> int:
    """How long the pages of a file are, before anything befalls it."""
    return int.from_bytes(data[16:18], "big")


def flip(rng: random.Random, data: bytearray, others: Originals) -> None:
    for _ in range(rng.choice((1, 1, 2, 8, 100))):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def flip_in_the_tables(rng: random.Random, data: bytearray, others: Originals) -> None:
    step = page_bytes(data)
    for _ in range(rng.choice((1, 2, 4))):
        page = rng.choice([at for at in range(0, len(data), step) if at == 0 or data[at] in (2, 5, 10, 13)])
        at = page + rng.choice((rng.randrange(120), rng.randrange(step)))
        data[at] = rng.choice((0, 255, rng.randrange(256), data[at] ^ 1))


def cut(rng: random.Random, data: bytearray, others: Originals) -> None:
    step = page_bytes(data)
    del data[rng.randrange(len(data)) :]
    if rng.random() < 0.5:  # and the header made to agree
        del data[len(data) // step * step :]
        data[28:32] = (len(data) // step).to_bytes(4, "big") if data else b""


def blank_a_page(rng: random.Random, data: bytearray, others: Originals) -> None:
    step = page_bytes(data)
    at = rng.randrange(len(data) // step) * step
    data[at : at + step] = bytes(step) if rng.random() < 0.5 else rng.randbytes(step)


def swap_pages(rng: random.Random, data: bytearray, others: Originals) -> None:
    step = page_bytes(data)
    one, two = (rng.randrange(len(data) // step) * step for _ in range(2))
    data[one : one + step], data[two : two + step] = (
        data[two : two + step],
        data[one : one + step],
    )


def splice(rng: random.Random, data: bytearray, others: Originals) -> None:
    step = page_bytes(data)
    other = rng.choice(others)[0]
    at = rng.randrange(len(data)) // step * step
    data[at:] = other[at : at + rng.randrange(len(other))] if rng.random() < 0.5 else other[at:]


def header(rng: random.Random, data: bytearray, others: Originals) -> None:
    at, width = rng.choice(((16, 2), (18, 1), (19, 1), (20, 1), (28, 4), (32, 4), (36, 4), (44, 4), (52, 4), (56, 4)))
    data[at : at + width] = rng.choice((bytes(width), b"\xff" * width, rng.randbytes(width), b"\1" * width))


BYTES: tuple[Callable[[random.Random, bytearray, Originals], None], ...] = (
    flip,
    flip_in_the_tables,
    cut,
    blank_a_page,
    swap_pages,
    splice,
    header,
)


def hostile_meta(rng: random.Random, database: sqlite3.Connection) -> None:
    key = rng.choice(("fps", "frames", "id", "seal", "other"))
    value: object = rng.choice(
        (
            "0",
            "-1",
            "1/0",
            "1e999",
            "9" * 5000,
            str(2**63),
            "1099511627776",
            "",
            "x" * 9_000_000,
            None,
            7,
            b"\xff\xfe",
            "40/1",
        )
    )
    try:
        database.execute("REPLACE INTO meta VALUES (?, ?)", (key, value))
    except sqlite3.IntegrityError:
        database.execute("DELETE FROM meta WHERE key = ?", (key,))


def hostile_universes(rng: random.Random, database: sqlite3.Connection) -> None:
    kind = rng.randrange(4)
    if kind == 0:
        database.execute("DELETE FROM universe")
        database.executemany("INSERT INTO universe VALUES (?, 512, ?)", ((n, (n - 1) * 512) for n in range(1, 64000)))
    elif kind == 1:
        values = (0, -1, 513, 2**62, 1.5, "many", b"x")
        column = rng.choice(("slots", "offset"))
        database.execute(f"UPDATE universe SET {column} = ?", (rng.choice(values),))
    elif kind == 2:
        database.execute("DELETE FROM universe")
    else:
        database.execute("INSERT INTO universe VALUES (?, 512, 0)", (rng.choice((0, -5, 64000, 2**60, 900)),))


def hostile_chunks(rng: random.Random, database: sqlite3.Connection) -> None:
    kind = rng.randrange(4)
    column, value = rng.choice(
        (
            ("frames", rng.choice((0, -1, 2**40, 2**62, "x", 1.5, 1, 100_000))),
            ("first_frame", rng.choice((-1, 2**62, 1_000_000))),
            ("data", rng.choice((b"", "text", 7, rng.randbytes(1000), bytes(45_000_000)))),
        )
    )
    if kind == 0:
        database.execute(f"UPDATE chunk SET {column} = ? WHERE first_frame = 0", (value,))
    elif kind == 1:
        database.execute("DELETE FROM chunk WHERE first_frame >= ?", (rng.choice((0, 1, 200)),))
    elif kind == 2:
        database.executemany("INSERT INTO chunk VALUES (?, 1, x'00')", ((n,) for n in range(10_000, 40_000)))
    else:
        database.execute("UPDATE chunk SET data = ?", (_bomb(rng, database),))


def _bomb(rng: random.Random, database: sqlite3.Connection) -> bytes:
    """A zstd frame that claims another size than it has, or is far larger than it should be."""
    (id_,) = database.execute("SELECT value FROM meta WHERE key = 'id'").fetchone()
    (size,) = database.execute("SELECT 24 + frames * 1000 FROM chunk WHERE first_frame = 0").fetchone()
    head = HEAD.pack(bytes.fromhex(id_), 0, rng.choice((1, 131, 2**32 - 1)), rng.choice((0, 1, 2, 3, 2**31)))
    kind = rng.randrange(4)
    checked = zstandard.ZstdCompressor(write_checksum=True)
    if kind < 2:
        return _huge(size_said=bool(kind))
    if kind == 2:
        return checked.compress(head + bytes(size - 24))
    return checked.compress(head + bytes(size - 24)) + b"more"


@functools.cache
def _huge(size_said: bool) -> bytes:
    checked = zstandard.ZstdCompressor(write_checksum=True)
    stream = checked.compressobj(size=300_000_000 if size_said else -1)
    return stream.compress(bytes(300_000_000)) + stream.flush()


def hostile_schema(rng: random.Random, database: sqlite3.Connection) -> None:
    endless = "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i FROM n) SELECT i AS first_frame, i AS frames FROM n"
    kind = rng.randrange(4)
    if kind == 0:
        database.execute("DROP TABLE chunk")
        database.execute(f"CREATE VIEW chunk AS {endless}")
    elif kind == 1:
        database.execute(f"DROP TABLE {rng.choice(('meta', 'universe', 'chunk'))}")
    elif kind == 2:
        database.execute("PRAGMA writable_schema = ON")
        column, value = rng.choice(
            (("sql", endless), ("rootpage", 1), ("rootpage", 2**31 - 1), ("type", "view"), ("name", "x"))
        )
        database.execute(
            f"UPDATE sqlite_schema SET {column} = ? WHERE name = ?", (value, rng.choice(("meta", "chunk")))
        )
    else:
        for n in range(200):
            database.execute(f"CREATE TABLE t{n} (x)")


ROWS = (hostile_meta, hostile_universes, hostile_chunks, hostile_schema)


def damage_rows(rng: random.Random, path: Path) -> None:
    """Wrong tables and hostile sizes, with a seal that fits them."""
    database = sqlite3.connect(path, isolation_level=None)
    try:
        database.execute("PRAGMA synchronous = OFF")
        database.execute("BEGIN")
        rng.choice(ROWS)(rng, database)
        database.execute("COMMIT")
        meta = dict(database.execute("SELECT key, value FROM meta"))
        universes = [Universe(*row) for row in database.execute("SELECT number, slots, offset FROM universe")]
        if rng.random() < 0.8:
            database.execute("UPDATE meta SET value = ? WHERE key = 'seal'", (seal(meta, universes),))
    except (sqlite3.Error, TypeError):
        pass  # the table to be sealed is the one that was broken: the file stays as it is
    finally:
        database.close()


def play(path: Path) -> tuple[str, dict[int, Frames]]:
    """What becomes of a file, in a few words, and the chunks that play."""
    played: dict[int, Frames] = {}
    try:
        with FrameReader(path) as reader:
            frame, damaged = 0, 0
            while frame < reader.info.frames:
                try:
                    first, frames = reader.chunk(frame)
                    played[first] = frames
                    frame = first + len(frames)
                except DamagedChunkError as error:
                    damaged += 1
                    frame = error.first_frame + error.frames
                    _one_line(error)
            return ("plays in part" if damaged else "plays"), played
    except InputError as error:
        _one_line(error)
        return "clear error", played


def _one_line(error: Exception) -> None:
    if len(str(error).splitlines()) != 1 or len(str(error)) > 500:
        raise AssertionError(f"not one clear line: {str(error)[:300]!r}")


def player(pictures: Path) -> None:
    """The process that reads: a path a line in, a JSON line out. SIGALRM ends it when a file takes too long."""
    written = list(np.load(pictures).values())
    for line in sys.stdin:
        kind, path = line.split(maxsplit=1)
        signal.alarm(HANG_S)
        try:
            outcome, played = play(Path(path.rstrip("\n")))
            known = (
                any(np.array_equal(one[first : first + len(frames)], frames) for one in written)
                for first, frames in played.items()
            )
            fault = None if kind == "rows" or all(known) else "a frame was played that was never written"
        except Exception as error:  # whatever comes out of the reader is what is looked for here
            outcome, fault = "fault", f"{type(error).__name__}: {error}"[:300]
        signal.alarm(0)
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps([outcome, fault, peak_mb]), flush=True)


def start_player(pictures: Path) -> subprocess.Popen[str]:
    command = [sys.executable, __file__, "--player", str(pictures)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def make(rng: random.Random, path: Path, whole: Originals) -> str:
    """Write a damaged file; the kind of damage."""
    data, _ = rng.choice(whole)
    if rng.random() < 0.2:
        path.write_bytes(data)
        damage_rows(rng, path)
        return "rows"
    change = rng.choice(BYTES)
    changed = bytearray(data)
    change(rng, changed, whole)
    path.write_bytes(changed)
    return change.__name__


def main(count: int, seed: int) -> int:
    """Make, damage and play `count` files."""
    outcomes: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    faults: list[str] = []
    peak_mb = slowest_s = 0.0
    with tempfile.TemporaryDirectory() as folder:
        path, pictures = Path(folder) / "damaged.frames", Path(folder) / "pictures.npz"
        whole = originals(Path(folder))
        np.savez(pictures, *(picture for _, picture in whole))
        process = start_player(pictures)
        for number in range(count):
            kind = make(random.Random(f"{seed} {number}"), path, whole)
            kinds[kind] += 1
            assert process.stdin and process.stdout
            begin = time.monotonic()
            process.stdin.write(f"{kind} {path}\n")
            process.stdin.flush()
            answer = process.stdout.readline()
            slowest_s = max(slowest_s, time.monotonic() - begin)
            if answer:
                outcome, fault, now_mb = json.loads(answer)
                peak_mb = max(peak_mb, now_mb)
            else:
                outcome, fault = "fault", f"the reader ended with {process.wait()}"
                process = start_player(pictures)
            outcomes[outcome] += 1
            if fault:
                faults.append(f"{number} ({kind}): {fault}")
        process.communicate()
    if peak_mb > MEMORY_MB:
        faults.append(f"memory went to {peak_mb:.0f} MB")
    result = {"files": count, "seed": seed, "outcomes": outcomes, "kinds": kinds, "slowest_s": round(slowest_s, 2)}
    print(json.dumps({**result, "memory_mb": round(peak_mb), "faults": faults}))
    return 1 if faults else 0


if __name__ == "__main__":
    if sys.argv[1] == "--player":
        player(Path(sys.argv[2]))
    else:
        sys.exit(main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1))
