"""`gloaming frames remap` as a person calls it: what is printed, what is made, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.reader import inspect
from tests.api.cli.test_frames import gloaming

OLD = """[[controller]]
name = "left"
universes = "1-3"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 200

[[string]]
name = "oak"
controller = "left"
universe = 3
pixels = 20

[[fixture]]
name = "lamp"
controller = "left"
universe = 3
slot = 61
channels = ["dimmer", "red"]
"""
NEW = """[[controller]]
name = "mast"
universes = "20-22"

[[string]]
name = "ridge"
controller = "mast"
universe = 20
pixels = 202
order = "GRBW"
missing = [2]

[[string]]
name = "arch"
controller = "mast"
universe = 22
pixels = 5

[[fixture]]
name = "lamp"
controller = "mast"
universe = 22
slot = 100
channels = ["red", "dimmer"]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Last year's rig, this year's, and a piece that was made for last year's."""
    (tmp_path / "old.toml").write_text(OLD, encoding="utf-8")
    (tmp_path / "new.toml").write_text(NEW, encoding="utf-8")
    np.save(tmp_path / "in.npy", np.random.default_rng(1).integers(0, 256, (300, 1082), np.uint8))
    call = ("import", "in.npy", "tide.frames", "--fps", "40", "--universes", "1-3", "--rig", "old.toml")
    done = gloaming(*call, folder=tmp_path)
    assert done.returncode == 0
    return tmp_path


def damaged(folder: Path) -> None:
    """A copy of the piece whose last chunk is damaged."""
    data = bytearray((folder / "tide.frames").read_bytes())
    data[data.rindex(b"\x28\xb5\x2f\xfd") + 200] ^= 1  # RFC 8878, 3.1.1, magic number
    (folder / "damaged.frames").write_bytes(data)


@pytest.mark.parametrize("named", [(), ("--from", "old.toml")])
def test_a_piece_moves_to_the_new_rig_and_each_loss_is_listed(folder: Path, named: tuple[str, ...]) -> None:
    before = (folder / "tide.frames").read_bytes()
    done = gloaming("remap", "tide.frames", "b.frames", *named, "--to", "new.toml", folder=folder)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        "b.frames: 300 frames at 40 a second, 7.50 s, 3 universes: 20-22",
        "  no place: string oak",
        "  no place: slots 91-510 of universe 2: no string or fixture of the old rig has them",
        "  stays dark: string arch",
        "  stays dark: W of string ridge",
        "  stays dark: pixels 201-202 of string ridge",
    ]
    assert (folder / "tide.frames").read_bytes() == before
    old, new = np.load(folder / "in.npy"), np.concatenate(list(frames_of(folder / "b.frames")))
    assert [(one.number, one.slots) for one in inspect(folder / "b.frames").universes] == [
        (20, 510),
        (21, 298),
        (22, 101),
    ]
    ridge = new[:, :808].reshape(300, 202, 4)
    assert np.array_equal(ridge[:, :200, [1, 0, 2]], old[:, :600].reshape(300, 200, 3))
    assert not ridge[:, :, 3].any() and not ridge[:, 200:].any() and not new[:, 808:907].any()
    assert np.array_equal(new[:, [908, 907]], old[:, 1080:1082])
    info = gloaming("info", "b.frames", folder=folder).stdout
    assert "made for 2 strings: ridge, arch; 1 fixture: lamp\n" in info


def test_of_a_file_for_one_controller_nothing_else_is_listed(folder: Path) -> None:
    np.save(folder / "one.npy", np.zeros((9, 90), np.uint8))
    for rig in (("--rig", "old.toml"), ()):
        done = gloaming("import", "one.npy", "one.frames", "--fps", "40", "--universes", "3", *rig, folder=folder)
        assert done.returncode == 0
        from_ = () if rig else ("--from", "old.toml")
        done = gloaming("remap", "one.frames", "b.frames", *from_, "--to", "new.toml", folder=folder)
        assert done.stdout.splitlines()[1:] == [
            "  no place: string oak",
            "  no place: slots 63-90 of universe 3: no string or fixture of the old rig has them",
            "  stays dark: strings ridge, arch",
        ]


def test_a_file_that_remembers_another_rig_than_is_named_is_noted(folder: Path) -> None:
    (folder / "other.toml").write_text(OLD.replace("slot = 61", "slot = 65"), encoding="utf-8")
    done = gloaming("remap", "tide.frames", "b.frames", "--from", "other.toml", "--to", "new.toml", folder=folder)
    assert done.stderr == "note: tide.frames remembers another rig than other.toml, which was used\n"
    assert "stays dark: dimmer, red of fixture lamp: not in tide.frames" in done.stdout


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (
            ("tide.frames", "x.frames", "--to", "strangers.toml"),
            "no fixture of the rig that tide.frames was made for",
        ),
        (("tide.frames", "x.frames", "--from", "strangers.toml", "--to", "new.toml"), "no fixture of strangers.toml"),
        (("tide.frames", "x.frames", "--to", "broken.toml"), "pixels: '20px'"),
        (("tide.frames", "x.frames", "--from", "broken.toml", "--to", "new.toml"), "pixels: '20px'"),
        (
            ("tide.frames", "x.frames", "--from", "new.toml", "--to", "old.toml"),
            "universes 1-3, which no controller",
        ),
        (("tide.frames", "x.frames", "--from", "wide.toml", "--to", "new.toml"), "which no string or fixture of wide"),
        (("plain.frames", "x.frames", "--to", "new.toml"), "name it: --from old-rig.toml"),
        (("tide.frames", "x.frames", "--to", "white.toml"), "nothing of it has a place in white.toml"),
        (("tide.frames", "x.frames", "--to", "none.toml"), "none.toml: there is no such file"),
        (("none.frames", "x.frames", "--to", "new.toml"), "none.frames: there is no such file"),
        (("tide.frames", "tide.frames", "--to", "new.toml"), "tide.frames: this is the file that is read"),
        (("tide.frames", "new.toml", "--to", "new.toml"), "new.toml: this is the file that is read"),
        (
            ("tide.frames", "old.toml", "--from", "old.toml", "--to", "new.toml"),
            "old.toml: this is the file",
        ),
        (("tide.frames", "none/x.frames", "--to", "new.toml"), "there is no folder none"),
        (("tide.frames", "x.frames"), "--to"),
        (("damaged.frames", "x.frames", "--to", "new.toml"), "is damaged"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_bad_input_is_one_line_and_nothing_is_written(folder: Path, call: tuple[str, ...], text: str) -> None:
    (folder / "broken.toml").write_text(OLD.replace("pixels = 20\n", 'pixels = "20px"\n'), encoding="utf-8")
    strangers = OLD.replace('"ridge"', '"gutter"').replace('"oak"', '"elm"').replace('"lamp"', '"torch"')
    (folder / "strangers.toml").write_text(strangers, encoding="utf-8")
    wide = OLD.replace('"1-3"', '"1-9"').replace("universe = 3", "universe = 8").replace("universe = 1", "universe = 4")
    (folder / "wide.toml").write_text(wide, encoding="utf-8")
    white = NEW.partition("\n[[fixture]]")[0].replace("GRBW", "W")
    (folder / "white.toml").write_text(white, encoding="utf-8")
    plain = gloaming("import", "in.npy", "plain.frames", "--fps", "40", folder=folder)
    assert plain.returncode == 0 and plain.stderr == ""
    damaged(folder)
    before = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    done = gloaming("remap", *call, folder=folder)
    assert done.returncode == 2 and done.stdout == "" and text in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert {path: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before


def test_a_failed_remap_leaves_the_file_of_an_earlier_one(folder: Path) -> None:
    assert gloaming("remap", "tide.frames", "b.frames", "--to", "new.toml", folder=folder).returncode == 0
    before = (folder / "b.frames").read_bytes()
    damaged(folder)
    assert gloaming("remap", "damaged.frames", "b.frames", "--to", "new.toml", folder=folder).returncode == 2
    assert (folder / "b.frames").read_bytes() == before
    assert not list(folder.glob("*.part"))
