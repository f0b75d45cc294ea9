"""Names and addresses of a machine in a workshop's own network, and which of them a local authority may vouch for.

A tablet that trusts the authority would trust whatever it vouches for. It is therefore made so that browsers accept
it for private addresses, for names that are never given out on the Internet, and for the names it was made for.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Final

import psutil
from cryptography import x509

from deploy.embedded.folder import EmbeddedServiceError
from deploy.tls.served import ON_THIS_MACHINE

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

PRIVATE_NETWORKS: Final[tuple[Network, ...]] = tuple(
    ip_network(network)
    for network in (
        "10.0.0.0/8",  # RFC 1918, as are the next two
        "172.16.0.0/12",
        "192.168.0.0/16",
        "100.64.0.0/10",  # RFC 6598, used by networks laid over others
        "127.0.0.0/8",
        "169.254.0.0/16",  # RFC 3927
        "::1/128",
        "fc00::/7",  # RFC 4193
        "fe80::/10",
    )
)
PRIVATE_ZONES: Final = ("localhost", "local", "home.arpa", "internal")
"""Ends of names that no registry gives out: RFC 6761, RFC 6762, RFC 8375, and `internal`, reserved by ICANN in 2024."""
_NAME = re.compile(r"(?=.{1,253}\Z)(?!-)[a-z0-9-]{1,63}(?<!-)(\.(?!-)[a-z0-9-]{1,63}(?<!-))*", re.ASCII)


def read_host(text: str) -> str:
    """A host's name or address in its usual form. ValueError where it is neither."""
    address = _address(text.strip("[]"))
    if address is not None and not address.is_unspecified:
        return str(address)
    name = text.lower().rstrip(".")
    # What ends in a number is an address to browsers, here a mistyped one.
    if not _NAME.fullmatch(name) or name.rpartition(".")[2].isdecimal():
        raise ValueError(f"{text!r} is no name or address of a host: give it like bench.local or 192.168.1.20")
    return name


def hosts_of_this_machine() -> list[str]:
    """Its addresses in private networks, and its name, which multicast DNS knows with `.local` behind it."""
    found = (_address(each.address) for interface in psutil.net_if_addrs().values() for each in interface)
    addresses = [address for address in found if address is not None and is_reachable_private(address)]
    return [*map(str, sorted(addresses, key=lambda address: address.version)), *_own_names()]


def is_reachable_private(address: Address) -> bool:
    """One that another machine in the network can type."""
    is_of_the_link = address.is_loopback or address.is_link_local
    return not is_of_the_link and any(address in network for network in PRIVATE_NETWORKS)


def general_name(host: str) -> x509.GeneralName:
    address = _address(host)
    return x509.DNSName(host) if address is None else x509.IPAddress(address)


def constraints_for(hosts: Iterable[str]) -> x509.NameConstraints:
    """What an authority may vouch for that is made for these hosts."""
    addresses = {ip_network(host) for host in hosts if _address(host) is not None}
    outside = [network for network in sorted(addresses, key=str) if not _is_within(network, PRIVATE_NETWORKS)]
    names = [host for host in hosts if _address(host) is None and not _ends_in(host, PRIVATE_ZONES)]
    zones = (*PRIVATE_ZONES, *sorted(set(names)))
    networks = (*PRIVATE_NETWORKS, *outside)
    permitted = [*map(x509.DNSName, zones), *map(x509.IPAddress, networks)]
    return x509.NameConstraints(permitted_subtrees=permitted, excluded_subtrees=None)


def may_vouch_for(constraints: x509.NameConstraints, host: str) -> bool:
    permitted = constraints.permitted_subtrees or []
    if _address(host) is None:
        return _ends_in(host, [name.value for name in permitted if isinstance(name, x509.DNSName)])
    return _is_within(ip_network(host), [name.value for name in permitted if isinstance(name, x509.IPAddress)])


def require_vouched_for(constraints: x509.NameConstraints, hosts: Iterable[str], folder: str) -> None:
    for host in hosts:
        if not may_vouch_for(constraints, host):
            raise EmbeddedServiceError(
                f"The local authority in {folder} was made without {host} and may not vouch for it. Leave it out, or "
                "move that folder away to have a new authority made; every tablet must then come to trust the new one."
            )


def unique(hosts: Iterable[str]) -> tuple[str, ...]:
    """Each once, in this order, and those of the machine itself at the end."""
    return tuple(dict.fromkeys((*hosts, *ON_THIS_MACHINE)))


def _own_names() -> list[str]:
    try:
        name = read_host(socket.gethostname())
    except ValueError:
        return []  # Some machines have names that no browser could look up.
    return [name] if "." in name or name == "localhost" else [f"{name}.local", name]


def _address(text: str) -> Address | None:
    try:
        address = ip_address(text)
    except ValueError:
        return None
    # One with a scope behind it (fe80::1%eth0) means nothing to another machine.
    return None if getattr(address, "scope_id", None) else address


def _ends_in(name: str, zones: Iterable[str]) -> bool:
    return any(name == zone or name.endswith(f".{zone}") for zone in zones)


def _is_within(network: Network, others: Iterable[object]) -> bool:
    same = [other for other in others if isinstance(other, type(network))]
    return any(network.subnet_of(other) for other in same)  # type: ignore[arg-type]
