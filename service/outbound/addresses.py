"""Where notices may go: addresses on the site's list, by https, and only to hosts of the public internet.

Loopback is allowed on top for demonstrations, when a setting says so.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, IPv6Network, ip_address, ip_network

_URL = re.compile(
    r"(https?)://(\[[0-9a-f:.]+\]|[a-z0-9.-]+)(?::([0-9]{1,5}))?(/[\x21\x22\x24-\x3e\x40-\x5b\x5d-\x7e]*)?(\?[\x21\x22\x24-\x7e]*)?"
)
_LABEL = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")
_ENTRY_HOST = re.compile(r"(\[[0-9a-f:.]+\]|[a-z0-9.-]+)(?::([0-9]{1,5}))?")
_DEFAULT_PORT = {"https": 443, "http": 80}
_NOT_PUBLIC = tuple(
    ip_network(text)
    for text in (
        "168.63.129.16/32",  # a cloud's platform as its machines see it: public by number, but the host's own
        "169.254.0.0/16",  # link-local, where platforms answer for a machine's metadata
        "100.64.0.0/10",  # shared by carriers; some platforms answer here
        "192.0.0.0/24",  # protocol assignments; some platforms answer here
        "fc00::/7",  # unique local, where platforms answer by IPv6
        "192.88.99.0/24",  # relays of 6to4
        "::/96",  # IPv4-compatible
        "::ffff:0:0/96",  # IPv4-mapped
        "64:ff9b::/96",  # NAT64
        "64:ff9b:1::/48",  # NAT64 of one network
        "2001::/32",  # Teredo
        "2002::/16",  # 6to4
        "3fff::/20",  # documentation
        "5f00::/16",  # segment routing
        "fec0::/10",  # site-local
    )
)
_ISATAP = (0x00005EFE, 0x02005EFE)


@dataclass(frozen=True, slots=True)
class Target:
    """A callback address in its parts; `host` is a name or the text of an IP address."""

    scheme: str
    host: str
    port: int
    path: str

    @property
    def is_loopback(self) -> bool:
        """Whether the host means this machine by its very spelling."""
        if self.host == "localhost":
            return True
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return False


@dataclass(frozen=True, slots=True)
class _Entry:
    """A host (with any path, by https on its port), or everything below a URL."""

    host: str
    scheme: str = ""
    port: int | None = None
    path: str = ""

    def covers(self, target: Target) -> bool:
        if self.host != target.host:
            return False
        if not self.scheme:
            usual = target.is_loopback or target.port == _DEFAULT_PORT["https"]
            return usual if self.port is None else target.port == self.port
        below = self.path if self.path.endswith("/") else f"{self.path}/"
        inside = target.path == self.path or target.path.startswith(below)
        return inside and (self.scheme, self.port) == (target.scheme, target.port)


class Egress:
    """The site's list of places that notices may go to. Nothing may leave when it is empty."""

    def __init__(self, listed: str = "", on_loopback: bool = False) -> None:
        """`listed`: hosts or URLs, parted by commas or blanks. ValueError names the one that is neither."""
        self._entries = [_entry(text) for text in re.split(r"[\s,]+", listed) if text]
        self._on_loopback = on_loopback

    @property
    def is_empty(self) -> bool:
        """Whether nothing may leave at all."""
        return not self._entries

    def why_not(self, url: str) -> str:
        """Why nothing is sent to a URL, as a sentence; empty when it may be. No name is looked up here."""
        if self.is_empty:
            return "This service sends no notices: its site has listed no callback addresses."
        target = target_of(url)
        if target is None:
            return "The endpoint is not an address such as https://hooks.office.example/relay."
        if not any(entry.covers(target) for entry in self._entries):
            return "The endpoint is not on the site's list of callback addresses."
        if target.is_loopback:
            return "" if self._on_loopback else "The endpoint is this machine itself."
        if target.scheme != "https":
            return "The endpoint must be reached by https."
        return "" if _is_name(target.host) else self.why_not_at(target, [target.host])

    def why_not_at(self, target: Target, addresses: list[str]) -> str:
        """Why nothing is sent to a host with these IP addresses; empty when every one of them may be reached."""
        if not addresses:
            return "The endpoint's name leads to no address."
        if target.is_loopback and self._on_loopback:
            fit = all(_is_loopback(a) for a in addresses)
        else:
            fit = all(is_public(a) for a in addresses)
        return "" if fit else "The endpoint's name leads to an address that is not public."


def target_of(url: str) -> Target | None:
    """The parts of a URL in its plainest spelling; None for anything else (user names, fragments, odd hosts, dots)."""
    found = _URL.fullmatch(url)
    if found is None:
        return None
    scheme, host, port, path, query = found.groups()
    number = int(port) if port else _DEFAULT_PORT[scheme]
    host = host.strip("[]") if host.startswith("[") else host
    path = path or "/"
    if not 0 < number < 65536 or not (_is_address(host) or _is_name(host)) or _climbs(path):
        return None
    return Target(scheme, host, number, f"{path}{query or ''}")


def is_public(text: str) -> bool:
    """Whether an IP address is one of the public internet, and stands for no other address."""
    try:
        address = ip_address(text)
    except ValueError:
        return False
    if "%" in text or not address.is_global:
        return False
    if address.is_multicast or address.is_reserved or address.is_unspecified or address.is_link_local:
        return False
    return not any(_within(address, network) for network in _NOT_PUBLIC) and not _is_isatap(address)


def _within(address: IPv4Address | IPv6Address, network: object) -> bool:
    same = isinstance(network, IPv6Network) == isinstance(address, IPv6Address)
    return same and address in network  # type: ignore[operator]


def _is_isatap(address: IPv4Address | IPv6Address) -> bool:
    """An IPv6 address made from an IPv4 one by RFC 5214."""
    return isinstance(address, IPv6Address) and (int(address) >> 32) & 0xFFFFFFFF in _ISATAP


def _is_loopback(text: str) -> bool:
    try:
        return ip_address(text).is_loopback
    except ValueError:
        return False


def _is_address(host: str) -> bool:
    """Whether a host is an IP address in its one usual spelling."""
    try:
        return str(ip_address(host)) == host
    except ValueError:
        return False


def _is_name(host: str) -> bool:
    """Whether a host is a name; one that ends in a number would be read as an address by some."""
    labels = host.split(".")
    last = labels[-1]
    number = last.isdigit() or re.fullmatch(r"0x[0-9a-f]*", last) is not None
    return len(host) <= 253 and not number and all(_LABEL.fullmatch(label) for label in labels)


def _climbs(path: str) -> bool:
    """Whether a path could lead elsewhere than it reads: dots, doubled or encoded slashes."""
    lower = path.lower()
    odd = any(part in lower for part in ("//", "%2e", "%2f", "%5c", "%25", "%00"))
    return odd or any(part in (".", "..") for part in lower.split("/"))


def _entry(text: str) -> _Entry:
    if "://" in text:
        target = target_of(text)
        if target is not None and "?" not in target.path:
            return _Entry(target.host, target.scheme, target.port, target.path)
    found = _ENTRY_HOST.fullmatch(text)
    if found is not None:
        host = found[1].strip("[]")
        if _is_address(host) or _is_name(host):
            return _Entry(host, port=int(found[2]) if found[2] else None)
    raise ValueError(f"{text} is neither a host nor a URL such as https://hooks.office.example/relay")
