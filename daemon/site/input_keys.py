"""The names of the keys of a keyboard, by the kernel's codes: of keyboards, number pads, presenters and scanners.

Source: linux/input-event-codes.h of the kernel (package linux-libc-dev). Other keys have no name here.
"""

from __future__ import annotations

from gloaming.shows.config_files.errors import WrongValueError
from gloaming.shows.config_files.known_names import instead

_RUNS = {
    1: "ESC 1 2 3 4 5 6 7 8 9 0 MINUS EQUAL BACKSPACE TAB Q W E R T Y U I O P LEFTBRACE RIGHTBRACE ENTER LEFTCTRL "
    "A S D F G H J K L SEMICOLON APOSTROPHE GRAVE LEFTSHIFT BACKSLASH Z X C V B N M COMMA DOT SLASH RIGHTSHIFT "
    "KPASTERISK LEFTALT SPACE CAPSLOCK F1 F2 F3 F4 F5 F6 F7 F8 F9 F10 NUMLOCK SCROLLLOCK KP7 KP8 KP9 KPMINUS KP4 KP5 "
    "KP6 KPPLUS KP1 KP2 KP3 KP0 KPDOT",
    87: "F11 F12",
    96: "KPENTER RIGHTCTRL KPSLASH",
    102: "HOME UP PAGEUP LEFT RIGHT END DOWN PAGEDOWN INSERT DELETE",
    113: "MUTE VOLUMEDOWN VOLUMEUP POWER",
    163: "NEXTSONG PLAYPAUSE PREVIOUSSONG STOPCD",
    183: "F13 F14 F15 F16 F17 F18 F19 F20 F21 F22 F23 F24",
}
"""The names of keys that follow each other, by the code of the first."""
INPUT_KEYS = {
    first + place: f"KEY_{name}" for first, names in _RUNS.items() for place, name in enumerate(names.split())
}
"""The name of a key, by its code."""


def read_key(text: object) -> str:
    """A key of site.toml by its name."""
    known = INPUT_KEYS.values()
    if text not in known:
        raise WrongValueError(f"there is no key {text!r}", instead(str(text), known))
    return str(text)
