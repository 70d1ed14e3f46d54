"""The names that a browser may ask for, and the addresses of the page."""

from __future__ import annotations

import ipaddress
import socket
from functools import lru_cache

from gloaming.daemon.site.site import Site
from gloaming.shows.interfaces import addresses

ANNOUNCED = "gloaming.local"


def site_names(site: Site) -> frozenset[str]:
    """The names that a Host header may have. It may have any address, too."""
    host = socket.gethostname().lower()
    return frozenset({"localhost", ANNOUNCED, host, f"{host.partition('.')[0]}.local", *site.phone.names})


def is_everywhere(host: str) -> bool:
    """Whether a listening address is every address of the machine."""
    return ipaddress.ip_address(host).is_unspecified


def lan_addresses(host: str) -> list[str]:
    """The addresses at which other machines reach a listener: its own, or all of this machine's except loopback."""
    if not is_everywhere(host):
        return [] if ipaddress.ip_address(host).is_loopback else [host]
    wide = ipaddress.ip_address(host).version == 6
    lasting = [one.ip for _, one in addresses() if not (one.ip.is_loopback or one.ip.is_link_local)]
    return [str(ip) for ip in sorted(lasting, key=lambda ip: ip.version) if ip.version == 4 or wide]


def on_own_link(ip: ipaddress.IPv6Address, at_s: float) -> bool:
    """Whether an address is in the network of one of this machine's interfaces. They are read once a minute."""
    return ip.is_link_local or any(ip in network for network in _own_networks(int(at_s // 60)))


@lru_cache(maxsize=1)
def _own_networks(_minute: int) -> tuple[ipaddress.IPv6Network, ...]:
    return tuple(one.network for _, one in addresses() if isinstance(one, ipaddress.IPv6Interface))


def page_addresses(host: str, port: int, secure: bool, announced: bool) -> list[str]:
    """The addresses of the page, the best for a phone first, as `http://gloaming.local:8080`."""
    scheme, usual = ("https", 443) if secure else ("http", 80)
    ending = "" if port == usual else f":{port}"
    hosts = [f"[{ip}]" if ":" in ip else ip for ip in lan_addresses(host)]
    if announced and hosts:
        hosts.insert(0, ANNOUNCED)
    here = f"[{host}]" if ":" in host else host
    return [f"{scheme}://{one}{ending}" for one in hosts or [here]]
