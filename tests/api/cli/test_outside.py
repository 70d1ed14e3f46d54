"""`gloaming trigger-token` and `hold-token`: what they print works as it stands."""

from __future__ import annotations

import json
import subprocess

from tests.api.cli.test_answers import OUTSIDE
from tests.api.daemon import Daemon
from tests.api.evening import gloaming
from tests.tools import needs


@needs("curl")
def test_the_line_that_is_printed_calls_a_show_and_gives_a_reading(daemon: Daemon) -> None:
    with (daemon.site / "site.toml").open("a", encoding="utf-8") as site:
        site.write(OUTSIDE)
    daemon.ask("POST", "/api/reload", {})
    for command, name, key in (("trigger-token", "gate", "show"), ("hold-token", "wind", "name")):
        printed = gloaming(command, name, daemon.site).stdout.splitlines()
        assert printed[0] in printed[-1]
        assert printed[-1].startswith("curl ")
        found = subprocess.run(f"{printed[-1]} --silent", shell=True, capture_output=True, text=True, check=True).stdout
        assert json.loads(found)[key] in ("short", "wind")
    assert [one["kind"] for one in daemon.now()["overrides"]] == ["call", "hold-dark"]
    unknown = gloaming("trigger-token", "quay", daemon.site)
    assert (unknown.returncode, unknown.stderr.count("\n")) == (1, 1)
    assert "http = true" in unknown.stderr
