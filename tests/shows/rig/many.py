"""Rigs of many strings."""

from __future__ import annotations


def many_strings(count: int, controllers: int = 4) -> str:
    """A rig.toml of `count` strings, shared by the controllers. Each controller has a supply and 16 ports."""
    each = -(-count // controllers)
    tables = []
    for number in range(controllers):
        universes = f"{number * each + 1}-{number * each + each}"
        host = f"127.0.{number // 250}.{number % 250 + 1}"
        tables.append(f'[[controller]]\nname = "box {number}"\nhost = "{host}"\nuniverses = "{universes}"\n')
        tables.append(f'[[supply]]\nname = "supply {number}"\nvolts = 12\namps = 29\n')
    for number in range(count):
        box = number // each
        tables.append(
            f'[[string]]\nname = "string {number}"\ncontroller = "box {box}"\nuniverse = {number + 1}\npixels = 50\n'
            f'order = "GRB"\nport = {number % each % 16 + 1}\nfuse_a = 5\nsupply = "supply {box}"\nvolts = 12\n'
            f"line = [[{number}, 0.0], [{number}, 5.0]]\n"
        )
    return "".join(tables)
