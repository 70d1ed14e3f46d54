"""The findings about several boards: what each feeds, and what no board or two boards feed."""

from __future__ import annotations

from collections.abc import Iterator

from gloaming.daemon.site.board_name import unknown_board
from gloaming.daemon.site.site import Site
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.protocols import ProtocolName


def board_findings(site: Site) -> Iterator[Finding]:
    """The findings; none for a site without boards."""
    if not site.boards:
        return
    for board in site.boards:
        feeds = f"is a spare for {board.spare_for}" if board.spare_for else f"feeds {listed(board.controllers or ())}"
        yield Finding(FindingCode.BOARD, "fact", board.place, f"board {board.name} {feeds}")
    if unknown := unknown_board(site.board_name, site.boards):
        text = f"this machine sends nothing: {unknown.problem}"
        yield Finding(FindingCode.BOARD_UNKNOWN, "warning", "machine", text, f"if it is a board: {unknown.hint}")
    if site.sharing.broker is None:
        text = "there is no broker: a pause that is asked for at one board reaches that board alone"
        hint = "run an MQTT broker on one of the machines, and give its address as broker in [sharing]"
        yield Finding(FindingCode.BOARDS_ALONE, "warning", site.boards[0].place, text, hint)
    yield from _controllers(site)
    if site.output.limiter:
        yield from _supplies(site)


def _controllers(site: Site) -> Iterator[Finding]:
    for controller in site.rig.controller:
        boards = site.feeders[controller.name]
        if not boards:
            text = f"no board feeds controller {controller.name}: it stays dark"
            hint = "name it among the controllers of a [[board]] table"
            yield Finding(FindingCode.CONTROLLER_WITHOUT_BOARD, "error", controller.place, text, hint)
        elif boards[1:]:
            text = f"controller {controller.name} gets its universes from {' and '.join(boards)}"
            hint = "leave it to one board"
            if controller.protocol is ProtocolName.E131:
                text, hint = f"{text}, with one priority", f"{hint}; a second one that waits is a board with spare_for"
            yield Finding(FindingCode.CONTROLLER_OF_TWO_BOARDS, "error", controller.place, text, hint)


def _supplies(site: Site) -> Iterator[Finding]:
    """Supplies of which each board may use only a share, since it does not know what the other draws."""
    for supply in site.rig.supply:
        own = [string for string in site.rig.string if string.supply == supply.name]
        boards = sorted({name for string in own for name in site.feeders[string.controller]})
        if boards[1:]:
            text = f"supply {supply.name} feeds strings of {' and '.join(boards)}: the limiter of each keeps to a share"
            hint = "leave the controllers of its strings to one board, which can then use all of it"
            yield Finding(FindingCode.SUPPLY_SHARED, "warning", supply.place, text, hint)
