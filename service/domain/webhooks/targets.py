"""Targets: where a webhook may lead. Never inward, unless the operator has named the place.

A target is judged twice: its text when it is registered, and every address that its name has at the
moment of each connection, which is then made to an address so judged and to no other. A name whose
answer changes in between therefore leads nowhere new.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from service.errors import Finding, InvalidDocument

GREATEST_URL: Final = 2_000
ACCEPTED: Final = (
    "https://HOST[:PORT]/PATH with a public host, at most 2000 characters, without user name and fragment"
)

_URL: Final = re.compile(
    r"(?P<scheme>[A-Za-z][A-Za-z0-9+.-]*)://(?P<authority>[^/?#]*)(?P<path>/[^?#]*)?(?P<query>\?[^#]*)?"
)
_AUTHORITY: Final = re.compile(r"(?P<host>[A-Za-z0-9.-]+|\[[0-9A-Fa-f:.]+\])(?::(?P<port>[0-9]{1,5}))?")
_PATH: Final = re.compile(r"(?:[A-Za-z0-9._~!$&'()*+,;=:@/?-]|%[0-9A-Fa-f]{2})*")
_LABEL: Final = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?")
# A host that ends so is read as a number of an address by some resolvers: 127.1, 0x7f.1, 2130706433.
_NUMBER: Final = re.compile(r"[0-9]+|0x[0-9a-f]*")
# Names that never leave a machine or a site (RFC 6761, 6762, 8375; `internal` is reserved for private use).
_INWARD_NAMES: Final = ("localhost", "local", "internal", "home.arpa")

# IANA's registries of special-purpose addresses: what does not belong to one host out in the open, and
# what carries another address inside it.
_INWARD_4: Final = tuple(
    (ipaddress.IPv4Network(network), word)
    for network, word in (
        ("0.0.0.0/8", "unspecified"),
        ("10.0.0.0/8", "private"),
        ("100.64.0.0/10", "shared by a carrier"),
        ("127.0.0.0/8", "loopback"),
        ("169.254.0.0/16", "link-local"),
        ("172.16.0.0/12", "private"),
        ("192.0.0.0/24", "reserved"),
        ("192.0.2.0/24", "documentation"),
        ("192.88.99.0/24", "6to4"),
        ("192.168.0.0/16", "private"),
        ("198.18.0.0/15", "benchmarking"),
        ("198.51.100.0/24", "documentation"),
        ("203.0.113.0/24", "documentation"),
        ("224.0.0.0/4", "multicast"),
        ("240.0.0.0/4", "reserved"),
    )
)
_PUBLIC_6: Final = ipaddress.IPv6Network("2000::/3")
_INWARD_6: Final = tuple(
    (ipaddress.IPv6Network(network), word)
    for network, word in (
        ("::/128", "unspecified"),
        ("::1/128", "loopback"),
        ("::ffff:0:0/96", "IPv4-mapped"),
        ("64:ff9b::/96", "NAT64"),
        ("64:ff9b:1::/48", "NAT64"),
        ("2001::/23", "reserved"),
        ("2001:db8::/32", "documentation"),
        ("2002::/16", "6to4"),
        ("3fff::/20", "documentation"),
        ("fc00::/7", "private"),
        ("fe80::/10", "link-local"),
        ("ff00::/8", "multicast"),
    )
)
_ISATAP: Final = (0x0000_5EFE, 0x0200_5EFE)


@dataclass(frozen=True)
class Target:
    """A target as it was judged. host: folded, an IPv6 address without brackets.

    path: path and query, from the slash on. trusted: the operator has named it, so that it may point
    inward and need not be https.
    """

    secure: bool
    host: str
    port: int
    path: str
    trusted: bool

    @property
    def authority(self) -> str:
        """Host and, where it is not the scheme's own, port: the Host header, and what the log may know."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == (443 if self.secure else 80) else f"{host}:{self.port}"


def parse_target(url: str, allowed: Collection[str] = ()) -> Target:
    """The target that a URL names, once it is known to point outward as far as its text tells.

    Args:
        url: as it was given
        allowed: folded `host` or `host:port` (IPv6 in brackets) that the operator lets point anywhere

    Raises:
        InvalidDocument: pointer `/url`, with the rule broken
    """
    if len(url) > GREATEST_URL:
        raise _refused("length", f"is longer than {GREATEST_URL} characters")
    match = _URL.fullmatch(url)
    if match is None:
        raise _refused("absolute-url", "is no absolute URL without a fragment")
    scheme = match["scheme"].lower()
    if scheme not in ("https", "http"):
        raise _refused("scheme", "is not https")
    if "@" in match["authority"]:
        raise _refused("user-name", "carries a user name or a password")
    authority = _AUTHORITY.fullmatch(match["authority"])
    if authority is None:
        raise _refused("host", "names no host that can be looked up")
    host = _host(authority["host"].lower())
    port = int(authority["port"] or (443 if scheme == "https" else 80))
    if not 1 <= port <= 65_535:
        raise _refused("port", "has a port that does not exist")
    path = (match["path"] or "/") + (match["query"] or "")
    if _PATH.fullmatch(path) is None:
        raise _refused("absolute-url", "holds a character that a URL writes with a percent sign")
    trusted = is_allowed(host, port, allowed)
    if not trusted:
        if scheme != "https":
            raise _refused("scheme", "is not https")
        why = _inward_name(host)
        if why is not None:
            raise _refused("outward", f"points inward: {why}")
    return Target(scheme == "https", host, port, path, trusted)


def host_of(url: str) -> str:
    """Host and port of a URL that was judged once, as its text has them, folded: all that the log learns."""
    return re.split(r"[/?#]", url.partition("://")[2], maxsplit=1)[0].lower()


def is_allowed(host: str, port: int, allowed: Collection[str]) -> bool:
    """Whether the operator has named this host, with this port or with any."""
    for entry in allowed:
        name, colon, number = entry.rpartition(":")
        if not colon or not number.isdecimal():  # no port; an IPv6 address ends with a bracket
            name, number = entry, ""
        if number and int(number) != port:
            continue
        if name == host or (name.startswith("[") and _same_address(name[1:-1], host)):
            return True
    return False


def inward(address: str) -> str | None:
    """Why an address does not lead to a host out in the open, in a word; None when it does.

    Loopback, private, link-local, shared by a carrier, multicast, reserved and unspecified addresses are
    inward, and so is every IPv6 address that carries an IPv4 address inside it (mapped, NAT64, 6to4,
    ISATAP and the like), whatever that address is. Source: IANA IPv4 and IPv6 special-purpose address
    registries (from memory).
    """
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return "no address"
    if isinstance(parsed, ipaddress.IPv4Address):
        return next((word for network, word in _INWARD_4 if parsed in network), None)
    if parsed.scope_id is not None:
        return "link-local"
    found = next((word for network, word in _INWARD_6 if parsed in network), None)
    if found is not None:
        return found
    if parsed not in _PUBLIC_6:
        return "reserved"
    return "ISATAP" if int(parsed) >> 32 & 0xFFFF_FFFF in _ISATAP else None


def _same_address(one: str, other: str) -> bool:
    try:
        return ipaddress.IPv6Address(one) == ipaddress.IPv6Address(other)
    except ValueError:
        return False


def _host(text: str) -> str:
    """The host in its one spelling. Errors: InvalidDocument."""
    if text.startswith("["):
        try:
            return str(ipaddress.IPv6Address(text[1:-1]))
        except ValueError:
            raise _refused("host", "names no IPv6 address") from None
    labels = text.split(".")
    if len(text) > 253 or not all(_LABEL.fullmatch(label) for label in labels):
        raise _refused("host", "names no host that can be looked up")
    if _NUMBER.fullmatch(labels[-1]):
        try:
            return str(ipaddress.IPv4Address(text))
        except ValueError:
            raise _refused("host", "writes an address other than as four numbers") from None
    return text


def _inward_name(host: str) -> str | None:
    if ":" in host or _NUMBER.fullmatch(host.rpartition(".")[2]):
        return inward(host)
    if "." not in host or any(host == name or host.endswith(f".{name}") for name in _INWARD_NAMES):
        return "a name of this machine or site"
    return None


def _refused(rule: str, detail: str) -> InvalidDocument:
    return InvalidDocument(
        f"The target {detail}.", errors=[Finding("body", rule, detail, pointer="/url", accepted=ACCEPTED)]
    )
