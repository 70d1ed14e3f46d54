"""Buttons and scanners that announce themselves as keyboards: the input devices of triggers, by Linux evdev.

They are read only, and nobody else is kept from reading them. A device may be absent and may come and go. The kernel's
Documentation/input/input.rst ("Event interface") has the layout of an event, and Documentation/input/event-codes.rst
its types.
"""

from __future__ import annotations

import array
import asyncio
import fcntl
import os
import stat
import struct
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from gloaming.daemon.integrations.hooks import user_name
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.site.input_keys import INPUT_KEYS
from gloaming.daemon.site.schema_outside import Trigger

EVENT = struct.Struct("@llHHi")
"""struct input_event of linux/input.h: seconds, microseconds, type, code, value."""
EV_KEY, PRESSED = 1, 1
"""A key; its value is 0 when it is released, 1 when it is pressed, 2 when it repeats (event-codes.rst)."""
INPUT_MAJOR = 13
"""The number of input devices (Documentation/admin-guide/devices.txt)."""
NAME_BYTES = 256
EVIOCGNAME = 2 << 30 | NAME_BYTES << 16 | ord("E") << 8 | 0x06
"""Reads the name of a device (linux/input.h)."""
LOOK_S = 3
"""How often absent devices are looked for."""
EVENTS = 64


class NoInputDeviceError(Exception):
    """The path is of something else."""


def open_device(path: str) -> int:
    """A descriptor of an input device, for reading. OSError, NoInputDeviceError.

    Nothing else is opened: to open a watchdog or a serial port would change it.
    """
    found = Path(path).stat()
    if not stat.S_ISCHR(found.st_mode) or os.major(found.st_rdev) != INPUT_MAJOR:
        raise NoInputDeviceError
    device = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        fcntl.ioctl(device, EVIOCGNAME, array.array("B", bytes(NAME_BYTES)))
    except OSError:  # a mouse or a joystick by its older interface
        os.close(device)
        raise NoInputDeviceError from None
    return device


class InputDevices:
    """Reads the devices of triggers. `pressed` is called on the event loop with a trigger's name and the key's name."""

    def __init__(self, pressed: Callable[[str, str], None], opens: Callable[[str], int] = open_device) -> None:
        self._pressed, self._opens = pressed, opens
        self._triggers: tuple[Trigger, ...] = ()
        self._open: dict[str, int] = {}
        self._troubles: dict[str, Trouble] = {}

    def adopt(self, triggers: Iterable[Trigger]) -> None:
        """Listen to the devices of other triggers from the next look on. One that stays is not opened again."""
        self._triggers = tuple(trigger for trigger in triggers if trigger.device)

    def look(self) -> None:
        """Open the devices that have come, and close those that no trigger names. Called every LOOK_S."""
        wanted = {trigger.device for trigger in self._triggers if trigger.device}
        for path in [*self._open]:
            if path not in wanted:
                self._close(path)
        self._troubles = {}
        for path in sorted(wanted - {*self._open}):
            if trouble := self._try(path):
                self._troubles[path] = trouble

    def stop(self) -> None:
        """Close all devices."""
        for path in [*self._open]:
            self._close(path)

    def troubles(self) -> list[Trouble]:
        """The devices that cannot be read."""
        return [*self._troubles.values()]

    def _try(self, path: str) -> Trouble | None:
        """Open a device and listen to it."""
        try:
            device = self._opens(path)
        except NoInputDeviceError:
            return Trouble(TroubleCode.DEVICE_OTHER, path, "it is no input device")
        except PermissionError:
            text = f"{user_name()} may not read it: only root and the group input may"
            return Trouble(TroubleCode.DEVICE_REFUSED, path, text)
        except OSError as error:
            return Trouble(TroubleCode.DEVICE, path, f"it is not there ({error.strerror})")
        self._open[path] = device
        asyncio.get_running_loop().add_reader(device, self._read, path, device)
        return None

    def _close(self, path: str) -> None:
        device = self._open.pop(path)
        asyncio.get_running_loop().remove_reader(device)
        with suppress(OSError):  # it is unplugged
            os.close(device)

    def _read(self, path: str, device: int) -> None:
        try:
            events = os.read(device, EVENT.size * EVENTS)  # the kernel returns whole events
        except BlockingIOError:
            return
        except OSError:  # ENODEV: it is unplugged
            events = b""
        if not events:
            self._close(path)
            self._troubles[path] = Trouble(TroubleCode.DEVICE, path, "it was unplugged")
        for _, _, kind, code, value in EVENT.iter_unpack(events):
            if (kind, value) == (EV_KEY, PRESSED):
                self._report(path, INPUT_KEYS.get(code, f"key {code}"))

    def _report(self, path: str, key: str) -> None:
        for trigger in self._triggers:
            if trigger.device == path and trigger.key in (None, key):
                self._pressed(trigger.name, key)
