"""Buttons by Linux evdev: a device of the kernel's where there is one, else a FIFO with records of the same layout."""

from __future__ import annotations

import array
import asyncio
import fcntl
import os
import re
import struct
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gloaming.daemon.integrations.input_device import EVENT, EVIOCGNAME, InputDevices, NoInputDeviceError, open_device
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.daemon.site.input_keys import INPUT_KEYS, read_key
from gloaming.daemon.site.schema_outside import Trigger
from gloaming.shows.config_files.errors import WrongValueError
from tests.api.house import house
from tests.tools import needs
from tests.waiting import until

HEADER = Path("/usr/include/linux/input-event-codes.h")
ENTER, A = 28, 30
SYN, KEY, PRESS, RELEASE, REPEAT = 0, 1, 1, 0, 2


def records(*events: tuple[int, int, int]) -> bytes:
    """Events `(type, code, value)` as the kernel writes them: struct input_event of linux/input.h."""
    return b"".join(struct.pack("@llHHi", 1_797_000_000, 5, *event) for event in events)


def stroke(code: int) -> bytes:
    """A key that is pressed and released."""
    return records((KEY, code, PRESS), (SYN, 0, 0), (KEY, code, RELEASE), (SYN, 0, 0))


class Button:
    """A button: a uinput device of the kernel's, or a FIFO in place of one."""

    def __init__(self, path: Path, write: Callable[[bytes], None], opens: Callable[[str], int]) -> None:
        self.path, self.write, self.opens = path, write, opens


def open_fifo(path: str) -> int:
    return os.open(path, os.O_RDONLY | os.O_NONBLOCK)


@contextmanager
def button(folder: Path) -> Iterator[Button]:
    """A button with the keys ENTER and A: the kernel's (linux/uinput.h) where this machine has uinput."""
    try:
        made = os.open("/dev/uinput", os.O_WRONLY | os.O_NONBLOCK)
    except OSError as error:
        print(f"no uinput here ({error.strerror}): a FIFO with the kernel's record layout stands for the device")
        path = folder / "button"
        os.mkfifo(path)
        keeps = os.open(path, os.O_RDWR | os.O_NONBLOCK)
        try:
            yield Button(path, lambda data: _write(keeps, data), open_fifo)
        finally:
            os.close(keeps)
        return
    print("the button is a uinput device of this kernel")
    try:
        fcntl.ioctl(made, 0x40045564, KEY)  # UI_SET_EVBIT
        for code in (ENTER, A):
            fcntl.ioctl(made, 0x40045565, code)  # UI_SET_KEYBIT
        fcntl.ioctl(
            made, 0x405C5503, struct.pack("@HHHH80sI", 3, 1, 1, 1, b"the button by the gate", 0)
        )  # UI_DEV_SETUP
        fcntl.ioctl(made, 0x5501)  # UI_DEV_CREATE
        name = array.array("B", bytes(64))
        fcntl.ioctl(made, 2 << 30 | 64 << 16 | ord("U") << 8 | 44, name)  # UI_GET_SYSNAME
        known = Path("/sys/devices/virtual/input") / name.tobytes().rstrip(b"\0").decode()
        event = next(known.glob("event*")).name
        yield Button(Path("/dev/input") / event, lambda data: _write(made, data), open_device)
    finally:
        os.close(made)  # the device goes


def _write(to: int, data: bytes) -> None:
    os.write(to, data)


def trigger(device: Path, **keys: object) -> Trigger:
    return Trigger.model_validate({"name": "gate", "show": "short", "device": str(device), **keys})


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder in /dev, where a trigger's device is."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as found:
        yield Path(found)


def test_a_pressed_button_calls_the_show(tmp_path: Path, folder: Path) -> None:
    async def work() -> None:
        with button(folder) as gate:
            async with house(tmp_path) as here:
                planner, site = here.planner, tmp_path / "site" / "site.toml"
                planner.outside._devices._opens = gate.opens
                table = f'\n[[trigger]]\nname = "gate"\nshow = "short"\ndevice = "{gate.path}"\nkey = "KEY_ENTER"\n'
                site.write_text(site.read_text(encoding="utf-8") + table, encoding="utf-8")
                await planner.reload("a test")
                planner.outside.look()
                assert [one["kind"] for one in planner.now()["health"]["troubles"]] == ["transmitter"]
                gate.write(stroke(A) + stroke(ENTER))
                await until(lambda: planner.decision().show == "short", "the show")
                await until(lambda: planner.journal(1, kinds=("trigger",)), "its line in the journal")
                (line,) = planner.journal(9, kinds=("trigger",))
                assert (line["who"], line["text"]) == ("trigger gate", "gate calls short (KEY_ENTER)")

    asyncio.run(work())


def test_a_press_is_an_event_and_a_release_a_repeat_and_other_types_are_none(folder: Path) -> None:
    heard: list[tuple[str, str]] = []

    async def work() -> None:
        with button(folder) as gate:
            devices = InputDevices(lambda name, key: heard.append((name, key)), gate.opens)
            devices.adopt([trigger(gate.path), trigger(gate.path, name="scanner", key="KEY_ENTER")])
            devices.look()
            gate.write(records((KEY, ENTER, PRESS), (SYN, 0, 0), (KEY, ENTER, REPEAT), (SYN, 0, 1)))
            gate.write(records((KEY, ENTER, RELEASE), (SYN, 0, 0)))
            gate.write(stroke(A))
            await until(lambda: ("gate", "KEY_A") in heard, "a key")
            devices.stop()

    asyncio.run(work())
    assert heard == [("gate", "KEY_ENTER"), ("scanner", "KEY_ENTER"), ("gate", "KEY_A")]


def test_a_device_that_is_absent_unplugged_and_plugged_in_again(folder: Path) -> None:
    heard: list[str] = []
    path = folder / "button"

    async def work() -> None:
        devices = InputDevices(lambda _, key: heard.append(key), open_fifo)
        devices.adopt([trigger(path)])
        devices.look()
        (absent,) = devices.troubles()
        assert (absent.code, absent.subject) == (TroubleCode.DEVICE, str(path))
        assert absent.text == "it is not there (No such file or directory)"
        for times in (1, 2):
            os.mkfifo(path)
            plugged = os.open(path, os.O_RDWR)
            devices.look()
            assert devices.troubles() == []
            writer = os.open(path, os.O_WRONLY)
            os.close(plugged)
            os.write(writer, stroke(A))
            await until(lambda times=times: len(heard) == times, "a key")
            os.close(writer)
            path.unlink()
            await until(lambda: bool(devices.troubles()), "a trouble")
            assert [(one.code, one.text) for one in devices.troubles()] == [(TroubleCode.DEVICE, "it was unplugged")]
            devices.look()
            assert [one.code for one in devices.troubles()] == [TroubleCode.DEVICE]
        devices.stop()

    asyncio.run(work())
    assert heard == ["KEY_A", "KEY_A"]


def test_a_site_without_the_device_closes_it(folder: Path) -> None:
    path = folder / "button"
    os.mkfifo(path)

    async def work() -> None:
        devices = InputDevices(lambda *_: None, open_fifo)
        devices.adopt([trigger(path), trigger(path, name="other", key="KEY_A")])
        devices.look()
        writer = os.open(path, os.O_WRONLY | os.O_NONBLOCK)  # ENXIO without a reader
        os.close(writer)
        devices.adopt([])
        devices.look()
        with pytest.raises(OSError, match="No such device"):
            os.open(path, os.O_WRONLY | os.O_NONBLOCK)
        assert devices.troubles() == []

    asyncio.run(work())


@pytest.mark.parametrize("what", ["a file", "a folder", "a FIFO", "/dev/null", "/dev/tty"])
def test_what_is_no_input_device_is_not_opened_and_is_a_trouble(folder: Path, what: str) -> None:
    path = Path(what) if what.startswith("/") else folder / "it"
    if what == "a FIFO":
        os.mkfifo(path)
    elif what == "a folder":
        path.mkdir()
    elif what == "a file":
        path.write_text("text")
    with pytest.raises(NoInputDeviceError):
        open_device(str(path))
    devices = InputDevices(lambda *_: None)
    devices.adopt([trigger(path)])
    devices.look()
    (found,) = devices.troubles()
    assert (found.code, found.kind, found.text) == (TroubleCode.DEVICE_OTHER, "device", "it is no input device")
    assert "/dev/input/by-id/" in found.do


def test_without_the_right_to_read_it_the_trouble_names_the_group(tmp_path: Path) -> None:
    def refuses(_: str) -> int:
        raise PermissionError(13, "Permission denied")

    devices = InputDevices(lambda *_: None, refuses)
    devices.adopt([trigger(Path("/dev/input/event0"))])
    devices.look()
    (found,) = devices.troubles()
    assert (found.code, found.kind) == (TroubleCode.DEVICE_REFUSED, "device")
    assert "the group input" in found.text and "input.conf" in found.do


@needs("C headers")
def test_the_names_of_keys_are_those_of_the_kernel() -> None:
    """linux/input-event-codes.h; a name can stand there for a code (KEY_HANGUEL), and a code can have two names."""
    found = re.findall(r"^#define\s+(KEY_\w+)\s+(0x[0-9a-f]+|\d+)\b", HEADER.read_text(), re.MULTILINE)
    assert len(found) > 400
    kernel = {name: int(code, 0) for name, code in found}
    assert {kernel[name]: name for name in INPUT_KEYS.values()} == INPUT_KEYS


@needs("gcc", "C headers")
def test_an_event_has_the_layout_of_the_kernel(tmp_path: Path) -> None:
    """struct input_event of linux/input.h, by the C compiler of this machine."""
    source = tmp_path / "layout.c"
    source.write_text(
        "#include <stdio.h>\n#include <stddef.h>\n#include <sys/ioctl.h>\n#include <linux/input.h>\n"
        'int main(void) { printf("%zu %zu %zu %zu %lu", sizeof(struct input_event), offsetof(struct input_event, type),'
        " offsetof(struct input_event, code), offsetof(struct input_event, value), (unsigned long)EVIOCGNAME(256)); }\n"
    )
    subprocess.run(["gcc", "-o", tmp_path / "layout", source], check=True)
    size, kind, code, value, name = map(int, subprocess.check_output([tmp_path / "layout"]).split())
    assert (EVENT.size, EVIOCGNAME) == (size, name)
    whole = EVENT.pack(0, 0, 0x0102, 0x0304, 0x05060708)
    assert struct.unpack_from("@H", whole, kind) == (0x0102,)
    assert struct.unpack_from("@H", whole, code) == (0x0304,)
    assert struct.unpack_from("@i", whole, value) == (0x05060708,)


def test_a_key_without_a_name_here_is_refused_with_the_nearest_one() -> None:
    with pytest.raises(WrongValueError) as error:
        read_key("KEY_ENTR")
    assert "did you mean KEY_ENTER?" in str(error.value.args)
