"""The planner's facade: a few methods, and no access to its parts."""

from __future__ import annotations

import inspect
import re

from gloaming.daemon.planner.planner import Planner
from tests.test_layout import FILES, TOP, imported

ANSWERS = {"site", "trusted", "device_store", "now_ns", "decision", "now", "status", "nights", "report", "rig", "view"}
LISTS = {"board_list", "boards", "network", "outside", "piece_files", "public", "repairs", "site_files", "site_push"}
COMMANDS = {"ask", "check_rig", "undo", "give_time", "reload"}
JOURNAL = {"note", "journal", "written"}
PROCESS = {"state", "start", "stop", "add_troubles"}
API_MAY_IMPORT = {
    "planner": "the facade",
    "clock": "the process has one",
    "clock_trust": "what a planner that starts would say of the clock; the first year that a clock may show",
    "commands": "its error",
    "confirmation": "how light is named",
    "troubles": "what a trouble is",
    "outside": "what a token is for; its error",
    "repairs": "its error",
    "push_state": "what a push is, and its states; its errors",
    "piece_imports": "what an upload is to be",
    "uploads": "its errors",
    "messages": "`gloaming sound` speaks to a transmitter of its own",
    "site_files": "its errors",
    "store": "the protocol of the devices",
    "stored_rows": "the wiring sheet has the repairs of another process",
    "workers": "a long document is made in a process of its own",
}


def test_the_planner_has_these_methods_and_no_part_of_it_is_public() -> None:
    public = {name for name in vars(Planner) if not name.startswith("_")}
    assert public == ANSWERS | LISTS | COMMANDS | JOURNAL | PROCESS
    assert not re.findall(r"self\.[a-z]\w* =", inspect.getsource(Planner))


def test_who_asks_reaches_nothing_behind_the_planner() -> None:
    for path in FILES:
        if path.relative_to(TOP).parts[0] == "api":
            assert not re.search(r"\bplanner\._", path.read_text(encoding="utf-8")), path
            names = [name.split(".") for name in imported(path)]
            modules = {name[3] for name in names if name[:3] == ["gloaming", "daemon", "planner"] and len(name) > 3}
            assert modules <= set(API_MAY_IMPORT), path
