"""What answers on the network against rig.toml: each difference, its place, and what to do."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

import pytest

from gloaming.daemon.integrations.e131_sources import E131Source
from gloaming.daemon.integrations.mdns_names import MdnsName
from gloaming.daemon.integrations.network_look import NetworkLook
from gloaming.daemon.reports.network import NOTHING, NetworkComparison, node_json
from gloaming.daemon.site import board_name
from gloaming.daemon.site.site import Site
from gloaming.shows.analysis.finding import FindingCode
from gloaming.shows.protocols.artnet.poll import ArtNode
from tests.daemon.quay_site import EVENING, TABLES, site_of

LEFT = '[[controller]]\nname = "left"\nhost = "192.0.2.21"\nprotocol = "artnet"\nuniverses = "1-24"\n'
RIGHT = LEFT.replace("left", "right").replace(".21", ".22").replace("1-24", "25-48")
MAST = '[[controller]]\nname = "mast"\nhost = "192.0.2.23"\nuniverses = "50-51"\n'
ROOF = """[[string]]
name = "{}"
controller = "left"
universe = {}
pixels = 170
"""
STRINGS = "".join(ROOF.format(name, universe) for name, universe in (("ridge", 1), ("eaves", 20)))
AT = 1_765_566_000_000_000_000


def node(address: str = "192.0.2.21", outputs: Collection[int] = range(1, 25), **more: object) -> ArtNode:
    receives = more.pop("receives", outputs)
    known = {"name": "box", "long_name": "16 ports", "firmware": "2.14", "report": "", "merges": ()} | more
    return ArtNode(address, port_addresses=tuple(outputs), receives=tuple(receives), **known)  # type: ignore[arg-type]  # any texts


def found(
    site: Site,
    *nodes: ArtNode,
    sources: tuple[E131Source, ...] = (),
    names: tuple[MdnsName, ...] = (),
    answers: Mapping[str, bool | None] | None = None,
    sent: Collection[int] = (),
) -> dict[str, tuple[str, str, str | None]]:
    """Place, text and hint of each difference, by its code. Facts are none."""
    look = NetworkLook(AT, nodes, sources, names, (), 0)
    every = NetworkComparison(site, {}, look, answers or {}, sent).findings()
    wrong = [one for one in every if one.severity != "fact"]
    assert len({one.code for one in wrong}) == len(wrong)
    return {one.code: (one.place, one.text, one.hint) for one in wrong}


@pytest.fixture
def left(tmp_path: Path) -> Site:
    return site_of(tmp_path, TABLES, EVENING, rig=LEFT + STRINGS)


def test_a_network_as_rig_toml_has_it_has_no_difference(left: Site) -> None:
    assert found(left, node(), sent=range(1, 25)) == {}


def test_a_node_that_expects_fewer_universes_leaves_strings_dark(left: Site) -> None:
    place, text, hint = found(left, node(outputs=range(1, 17)))[FindingCode.NODE_DIFFERS]
    assert place == "rig.toml:1"
    assert text == ("left answers at 192.0.2.21 and expects universes 1-16; rig.toml sends 1-24. Dark with it: eaves")
    assert hint == ("on the controller's own page, set port-addresses 0:0:1-0:1:8; or correct universes in its table")


def test_a_node_that_expects_more_is_a_fact(left: Site) -> None:
    look = NetworkLook(AT, (node(outputs=range(1, 33)),), (), (), (), 0)
    (one,) = NetworkComparison(left, {}, look).findings()
    assert (one.code, one.severity) == (FindingCode.NODE_OUTPUTS_UNUSED, "fact")
    assert one.text == "left answers at 192.0.2.21 and expects universes 1-32; rig.toml sends 1-24"


def test_a_node_that_counts_from_0_is_shown_with_the_key_for_rig_toml(left: Site, tmp_path: Path) -> None:
    _, text, hint = found(left, node(outputs=range(24)))[FindingCode.NODE_DIFFERS]
    assert "expects port-addresses 0:0:0-0:1:7; rig.toml sends 1-24 as port-addresses 0:0:1-0:1:8" in text
    assert hint and 'write port_addresses = "0:0:0-0:1:7"' in hint
    mended = LEFT + 'port_addresses = "0:0:0-0:1:7"\n'
    site = site_of(tmp_path, TABLES, EVENING, rig=mended + STRINGS)
    assert found(site, node(outputs=range(24))) == {}
    _, text, _ = found(site, node(outputs=range(16)))[FindingCode.NODE_DIFFERS]
    assert "expects universes 1-16 (port-addresses 0:0:0-0:0:15); rig.toml sends 1-24 as port" in text


def test_a_controller_that_gives_no_reply_to_art_poll_is_another_finding_than_one_that_is_off(
    left: Site, tmp_path: Path
) -> None:
    answers = {"left": True}
    place, text, hint = found(left, answers=answers)[FindingCode.NODE_SILENT]
    assert (place, text) == ("rig.toml:1", "left gives no answer to ArtPoll at 192.0.2.21")
    assert hint and "set its protocol to Art-Net" in hint
    ((code, (_, text, _)),) = found(left, answers={"left": False}).items()
    assert code == FindingCode.CONTROLLER_SILENT and text.endswith("does not answer: ridge, eaves")
    unheard = NetworkLook(AT, (), (), (), ("another program has the port",), 0, unheard=True)
    assert NetworkComparison(left, {}, unheard, answers).findings() == ()
    named = site_of(tmp_path, TABLES, EVENING, rig=LEFT.replace("192.0.2.21", "left.lan"))
    _, text, hint = found(named)[FindingCode.NODE_SILENT]
    assert "nobody knows the address of left.lan" in text and hint == "check its name; or write its address as host"
    off = site_of(tmp_path, TABLES, "[output]\nart_poll = false\n", EVENING, rig=LEFT)
    assert found(off, answers=answers) == {}


def test_a_node_that_rig_toml_does_not_have(left: Site) -> None:
    place, text, _ = found(left, node(), node("192.0.2.77", [0, 1], name="spare"))[FindingCode.NODE_UNKNOWN]
    assert place == "rig.toml"
    assert text.startswith("spare answers at 192.0.2.77, firmware 2.14, and expects port-addresses 0:0:0-0:0:1;")
    assert found(left, node(), node("192.0.2.78", [], name="desk")) == {}, "it has no outputs: no controller"


def test_the_names_of_two_controllers_show_that_their_addresses_are_changed_over(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, EVENING, rig=LEFT + RIGHT + STRINGS)
    nodes = node("192.0.2.21", range(25, 49), name="Right"), node("192.0.2.22", range(1, 25), name="LEFT")
    look = NetworkLook(AT, nodes, (), (), (), 0)
    texts = [one.text for one in NetworkComparison(site, {}, look).findings() if one.code == FindingCode.NODE_ELSEWHERE]
    assert texts == [
        "left is at 192.0.2.22 by its name; rig.toml has it at 192.0.2.21; Right answers there",
        "right is at 192.0.2.21 by its name; rig.toml has it at 192.0.2.22; LEFT answers there",
    ]


def test_a_controller_that_has_moved_is_one_finding(left: Site, tmp_path: Path) -> None:
    moved = found(left, node("192.0.2.99", name="left"), answers={"left": False})
    ((code, (_, text, hint)),) = moved.items()
    assert (code, text) == (
        FindingCode.NODE_ELSEWHERE,
        "left is at 192.0.2.99 by its name; rig.toml has it at 192.0.2.21",
    )
    assert hint and hint.startswith("correct host in rig.toml;")
    name = (MdnsName("left.local", "192.0.2.99", ("_http._tcp",)),)
    assert found(left, names=name) == moved, "by mDNS alone"
    both = (*name, MdnsName("left.local", "192.0.2.21", ()))
    assert FindingCode.NODE_ELSEWHERE not in found(left, node(), names=both)
    unknown = site_of(tmp_path, TABLES, EVENING, rig=LEFT.replace("192.0.2.21", "left.local"))
    ((_, (_, text, _)),) = found(unknown, names=name).items()
    assert text == "left is at 192.0.2.99 by its name; rig.toml has it at left.local"


def test_a_node_says_that_it_merges_or_that_no_data_arrive(left: Site) -> None:
    merging = found(left, node(merges=(3, 4)))
    assert merging[FindingCode.NODE_MERGES][1] == "left (192.0.2.21) merges two sources on universes 3-4"
    silent = node(receives=range(1, 9))
    assert found(left, silent) == {}, "this machine sends nothing"
    text = "left says that no data arrive for universes 9-12, which this machine sends"
    assert found(left, silent, sent=range(1, 13))[FindingCode.NODE_UNFED][1] == text


def test_a_node_that_takes_e131_instead_of_art_net_is_named(left: Site) -> None:
    taking = node(by_e131=(3, 4, 99), receives=(1, 2))
    wrong = found(left, taking, sent=range(1, 5))
    text = "left takes universes 3-4 by E1.31, by its own word; rig.toml sends Art-Net"
    assert {code: text for code, (_, text, _) in wrong.items()} == {FindingCode.NODE_BY_E131: text}
    said = node_json(taking, left.rig.controller[0])["text"]
    assert said.endswith("takes universes 3-4, 99 by E1.31 instead of Art-Net")


def test_texts_are_short_whatever_a_node_says(left: Site) -> None:
    scattered = node(outputs=range(31, 3031, 3))
    _, text, _ = found(left, scattered)[FindingCode.NODE_DIFFERS]
    assert "expects universes 31, 34, 37, 40, 43, 46 and 994 more; rig.toml sends 1-24" in text


def test_another_source_of_e131_on_our_universes(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, EVENING, rig=MAST + LEFT)
    desk = E131Source("192.0.2.40", "desk", "c" * 32, (1, 51))
    own = E131Source("192.0.2.41", site.source_name, "d" * 32, (50, 51))
    place, text, _ = found(site, node(), sources=(own, desk))[FindingCode.OTHER_SOURCE]
    assert (place, text) == ("rig.toml:1", "mast: desk at 192.0.2.40 sends universe 51 too, by E1.31")


def test_data_by_broadcast_are_for_each_node_that_outputs_one_of_the_port_addresses(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, EVENING, rig=LEFT.replace('host = "192.0.2.21"', "broadcast = true"))
    halves = node("192.0.2.31", range(1, 13)), node("192.0.2.32", range(13, 25))
    assert found(site, *halves) == {}
    text = found(site, halves[0], node("192.0.2.33", [40]))
    assert set(text) == {FindingCode.NODE_DIFFERS, FindingCode.NODE_UNKNOWN}
    assert found(site)[FindingCode.NODE_SILENT][1].endswith("one of its port-addresses (0:0:1-0:1:8)")


def test_boards_of_one_site_know_the_nodes_of_each_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    boards = '[[board]]\nname = "quay"\ncontrollers = ["left"]\n[[board]]\nname = "east"\ncontrollers = ["right"]\n'
    monkeypatch.setenv(board_name.VARIABLE, "quay")
    site = site_of(tmp_path, TABLES, EVENING, boards, rig=LEFT + RIGHT)
    assert found(site, node(), node("192.0.2.22", [1])) == {}


def test_the_answer_says_what_each_node_is(left: Site) -> None:
    look = NetworkLook(AT, (node(), node("192.0.2.77", [7])), (), (), ("a note",), 2)
    answer = NetworkComparison(left, {}, look, {"left": True}).as_json()
    (one,), (other,) = answer["controllers"], answer["other_nodes"]
    assert (one["name"], one["address"], one["answers"]) == ("left", "192.0.2.21", True)
    text = "16 ports, firmware 2.14, expects universes 1-24, receives universes 1-24"
    assert [each["text"] for each in one["nodes"]] == [text]
    assert other["text"] == "16 ports, firmware 2.14, expects port-addresses 0:0:7"
    assert (answer["notes"], answer["malformed"], answer["at"][:10]) == (["a note"], 2, "2025-12-12")
    nothing = NetworkComparison(left, {}, NOTHING).as_json(looking=True)
    assert (nothing["at"], nothing["looking"], nothing["findings"]) == (None, True, [])
