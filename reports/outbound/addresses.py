"""Which addresses of the internet protocol are internal: everything that is not plainly the public internet.

The registries are RFC 6890 and its successors for special purposes, RFC 6598 for carriers' shared space, RFC 4291 for
IPv6. IPv6 addresses that carry an IPv4 address (mapped, NAT64, 6to4, ISATAP) are judged by that one too.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator
from typing import Final

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network

_V4: Final = tuple(
    ipaddress.IPv4Network(each)
    for each in (
        "0.0.0.0/8",  # this network
        "10.0.0.0/8",  # private
        "100.64.0.0/10",  # carriers' shared space; also where some clouds answer questions about a machine
        "127.0.0.0/8",  # loopback
        "168.63.129.16/32",  # looks public, and is a cloud's service to its own machines
        "169.254.0.0/16",  # link-local, with the usual place of a machine's metadata
        "172.16.0.0/12",  # private
        "192.0.0.0/24",  # protocol assignments
        "192.0.2.0/24",  # documentation
        "192.31.196.0/24",  # AS112
        "192.52.193.0/24",  # AMT
        "192.88.99.0/24",  # 6to4 relays
        "192.168.0.0/16",  # private
        "192.175.48.0/24",  # AS112
        "198.18.0.0/15",  # benchmarks
        "198.51.100.0/24",  # documentation
        "203.0.113.0/24",  # documentation
        "224.0.0.0/4",  # multicast
        "240.0.0.0/4",  # reserved, and broadcast
    )
)
_GLOBAL_V6: Final = ipaddress.IPv6Network("2000::/3")
_V6: Final = tuple(
    ipaddress.IPv6Network(each)
    for each in (
        "2001::/23",  # protocol assignments, Teredo among them
        "2001:db8::/32",  # documentation
        "2620:4f:8000::/48",  # AS112
        "3fff::/20",  # documentation
    )
)
_NAT64: Final = tuple(ipaddress.IPv6Network(each) for each in ("64:ff9b::/96", "64:ff9b:1::/48"))
_ISATAP: Final = (0x0000_5EFE, 0x0200_5EFE)


def is_internal(address: Address, allowed: Iterable[Network] = ()) -> bool:
    """Whether nothing may be sent there, unless it lies in one of the networks that the deployment allows.

    >>> [is_internal(ipaddress.ip_address(each)) for each in ("127.0.0.1", "::ffff:10.0.0.1", "9.9.9.9")]
    [True, True, False]
    """
    plain = _without_mapping(address)
    networks = tuple(allowed)
    if any(plain in network for network in networks if network.version == plain.version):
        return False
    if isinstance(plain, ipaddress.IPv4Address):
        return _is_internal_v4(plain)
    carried = list(_carried(plain))
    if any(plain in network for network in _NAT64):
        return all(is_internal(each, networks) for each in carried)
    is_public = plain in _GLOBAL_V6 and not any(plain in network for network in _V6)
    return not is_public or any(is_internal(each, networks) for each in carried)


def _is_internal_v4(address: ipaddress.IPv4Address) -> bool:
    return any(address in network for network in _V4) or not address.is_global


def _without_mapping(address: Address) -> Address:
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address


def _carried(address: ipaddress.IPv6Address) -> Iterator[ipaddress.IPv4Address]:
    """The IPv4 addresses that a gateway on the way may take an IPv6 address for."""
    last = ipaddress.IPv4Address(int(address) & 0xFFFF_FFFF)
    if address in _NAT64[0]:
        yield last
    if address.sixtofour is not None:
        yield address.sixtofour
    if (int(address) >> 32) & 0xFFFF_FFFF in _ISATAP:
        yield last
