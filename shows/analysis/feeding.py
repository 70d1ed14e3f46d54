"""Findings about what feeds the strings and fixtures: ports, fuses, supplies, circuits; and what of it is not known."""

from __future__ import annotations

from collections.abc import Iterator

from gloaming.shows.analysis.finding import Finding, FindingCode, Severity
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.rig.model import LIGHT_CHANNELS, Port, Rig, port_name

RUN_MAX_M = 76
"""Common practice, no source: 250 feet of a data run over a differential link."""


def feeding_findings(rig: Rig) -> tuple[Finding, ...]:
    """Findings about what feeds the strings and fixtures."""
    return (*_volts(rig), *_ports(rig), *_unused(rig), *_unknown(rig), *_tables(rig), *_circuits(rig), *_fixtures(rig))


def unknown_limits(rig: Rig) -> dict[str, list[tuple[str, str]]]:
    """What rig.toml leaves out of the limits: by key, the names and places of the tables without it.

    Circuits are unknown only in a rig that has some.
    """
    strings = [one for one in rig.string if one.port is None and one.fuse_a is None]
    fuses = [(f"port {one.name}", one.place) for one in rig.port if one.fuse_a is None and rig.on_port[one.name]]
    loose = [one for one in rig.fixture if one.watts and not one.supply and not one.circuit]
    found = {
        "fuse_a": [*fuses, *((one.name, one.place) for one in strings)],
        "supply": [
            *((one.name, one.place) for one in rig.string if not one.supply),
            *((one.name, one.place) for one in loose),
        ],
        "circuit": [(one.name, one.place) for one in rig.supply if rig.circuit and not one.circuit],
        "watts": [(one.name, one.place) for one in rig.fixture if one.watts is None],
    }
    return {key: tables for key, tables in found.items() if tables}


UNKNOWN: dict[str, tuple[FindingCode, Severity, str]] = {
    "fuse_a": (
        FindingCode.NO_FUSE,
        "warning",
        "fuse every run for its wire and write the fuse into rig.toml, so that its limit is known",
    ),
    "supply": (FindingCode.NO_SUPPLY, "fact", "give their supply, so that its load is known"),
    "circuit": (FindingCode.NO_CIRCUIT, "fact", "give their circuit, so that its load is known"),
    "watts": (FindingCode.NO_WATTS, "fact", "give the watts of each fixture, so that they count"),
}
"""For each key that is left out: the code and severity of its finding, and the hint."""


def _unknown(rig: Rig) -> Iterator[Finding]:
    for key, tables in unknown_limits(rig).items():
        code, severity, hint = UNKNOWN[key]
        text = f"no {key} is given for {listed(name for name, _ in tables)}"
        yield Finding(code, severity, tables[0][1], text, hint)


def _volts(rig: Rig) -> Iterator[Finding]:
    """Strings that are fed with other volts than they need, by their supply or through their port."""
    supplies = {supply.name: supply.volts for supply in rig.supply}
    ports = {port.name: port for port in rig.port}
    for string in rig.string:
        port = ports.get(port_name(string.controller, string.port)) if string.port is not None else None
        fed = {name: supplies[name] for name in (string.supply, port and port.supply) if name}
        if port and port.volts:
            fed[f"port {port.name}"] = port.volts
        source, volts = max(fed.items(), key=lambda pair: (pair[1] != string.volts, pair[1]), default=("", None))
        if string.volts is not None and volts not in (None, string.volts):
            text = f"string {string.name} needs {string.volts:g} V, but {source} supplies {volts:g} V"
            burns = "never put 12 V on a 5 V string: it burns; change the supply"
            weak = "it will light badly or not at all: change the supply, or correct the volts"
            hint = burns if volts > string.volts else weak
            yield Finding(FindingCode.VOLTS_DIFFER, "error", string.place, text, hint)


def _ports(rig: Rig) -> Iterator[Finding]:
    supplies = {supply.name: supply.volts for supply in rig.supply}
    for port in rig.port:
        strings = rig.on_port[port.name]
        needed = {string.volts for string in strings if string.volts is not None}
        fed = {supplies[name] for name in (port.supply, *(string.supply for string in strings)) if name}
        fed |= {port.volts} if port.volts else set()
        for volts, does in ((needed, "has strings for"), (fed, "is fed with")):
            if len(volts) > 1:
                text = f"port {port.name} {does} {' and '.join(f'{one:g} V' for one in sorted(volts))}"
                hint = "give each port one voltage: 12 V burns a 5 V string"
                yield Finding(FindingCode.PORT_VOLTS_DIFFER, "error", port.place, text, hint)
                break
        if port.run_m is not None and port.run_m > RUN_MAX_M:
            text = (
                f"the data run of port {port.name} is {port.run_m:g} m long; common practice is {RUN_MAX_M} m at most, "
                "over a differential link"
            )
            hint = "put a controller or a repeater nearer to the pixels"
            yield Finding(FindingCode.DATA_RUN_LONG, "warning", port.place, text, hint)


def _unused(rig: Rig) -> Iterator[Finding]:
    supplies = {one.supply for one in rig.string} | {one.supply for one in rig.fixture}
    for supply in rig.supply:
        if supply.name not in supplies:
            text, hint = f"supply {supply.name} feeds nothing", "name it in the tables that it feeds, or remove it"
            yield Finding(FindingCode.SUPPLY_UNUSED, "warning", supply.place, text, hint)
    circuits = {one.circuit for one in rig.supply} | {one.circuit for one in rig.fixture}
    for circuit in rig.circuit:
        if circuit.name not in circuits:
            text, hint = f"circuit {circuit.name} feeds nothing", "name it in the supplies that it feeds, or remove it"
            yield Finding(FindingCode.CIRCUIT_UNUSED, "warning", circuit.place, text, hint)


def _tables(rig: Rig) -> Iterator[Finding]:
    """Ports that have no table where others of the controller have one, and tables without strings: maybe a typo."""
    with_table = [port for port in rig.port if not _made(rig, port)]
    described = {port.controller for port in with_table}
    for port in rig.port:
        strings = rig.on_port[port.name]
        if not strings:
            text, hint = f"no string is on port {port.name}", "name it in the strings that it feeds, or remove it"
            yield Finding(FindingCode.PORT_UNUSED, "fact", port.place, text, hint)
        elif port.controller in described and _made(rig, port):
            text = f"port {port.name} has no [[port]] table, as other ports of {port.controller} have"
            hint = f"add one, or correct the port of {listed(string.name for string in strings)}"
            yield Finding(FindingCode.PORT_WITHOUT_TABLE, "fact", port.place, text, hint)


def _made(rig: Rig, port: Port) -> bool:
    """Whether a port has no table: then its place is that of the string that named it first."""
    strings = rig.on_port[port.name]
    return bool(strings) and port.place == strings[0].place


def _circuits(rig: Rig) -> Iterator[Finding]:
    caution = "local codes ask for one outdoors; leave work on the mains to a licensed electrician"
    for circuit in rig.circuit:
        if circuit.rcd is None:
            text = (
                f"rig.toml does not say whether a residual-current device (RCD, GFCI) protects circuit {circuit.name}"
            )
            yield Finding(FindingCode.CIRCUIT_WITHOUT_RCD, "fact", circuit.place, text, caution)
        elif not circuit.rcd:
            text = f"no residual-current device (RCD, GFCI) protects circuit {circuit.name}"
            yield Finding(FindingCode.CIRCUIT_WITHOUT_RCD, "warning", circuit.place, text, caution)
    fed = [one.circuit for one in rig.supply] + [one.circuit for one in rig.fixture if one.circuit]
    if len(fed) > 1 and len(set(fed)) == 1 and fed[0]:
        place = next(one.place for one in rig.circuit if one.name == fed[0])
        text = f"everything is on circuit {fed[0]}: when its breaker trips, all is dark"
        yield Finding(FindingCode.ONE_CIRCUIT, "fact", place, text)


FIXTURE_CAUTIONS = {
    "strobe": (
        FindingCode.FIXTURE_STROBES,
        "the survey cannot see how fast it flashes. Flashing light can trigger seizures (photosensitive epilepsy) and "
        "distracts drivers: keep it to three flashes in any second (WCAG 2.2, 2.3.1), say so at the gate, and follow "
        "the local code",
    ),
    "fog": (
        FindingCode.FIXTURE_FOGS,
        "keep fog off roads and paths, and away from people with bad lungs; it sets off smoke alarms; follow "
        "its manual and the local code",
    ),
}
"""For a channel that needs cautions: the code of its finding, and the cautions."""


def _fixtures(rig: Rig) -> Iterator[Finding]:
    for channel, (code, caution) in FIXTURE_CAUTIONS.items():
        having = [fixture for fixture in rig.fixture if channel in fixture.channels]
        if having:
            text = f"there is a {channel} channel on {listed(fixture.name for fixture in having)}"
            yield Finding(code, "warning", having[0].place, text, caution)
    lit = [fixture for fixture in rig.fixture if LIGHT_CHANNELS.intersection(fixture.channels)]
    if lit:
        text = f"flashes are not looked for in the light of {listed(fixture.name for fixture in lit)}"
        hint = "look at each piece yourself: no more than three flashes in any second (WCAG 2.2, 2.3.1)"
        yield Finding(FindingCode.FIXTURE_FLASHES_UNKNOWN, "fact", lit[0].place, text, hint)
