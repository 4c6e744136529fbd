"""Where notices may go: which addresses of the network, which topics of the broker.

A webhook's address is chosen by a user and called by the service, which may stand where the user does not: without a
check it would fetch from the inside of its own network. So only addresses of the public internet are called, and
those that are allowed by name in the settings.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import SplitResult, urlsplit

from service.work.topics import may_match_below

IPAddress = ipaddress.IPv4Address | ipaddress.IPv6Address
IPNetwork = ipaddress.IPv4Network | ipaddress.IPv6Network

_NAT64 = (ipaddress.IPv6Network("64:ff9b::/96"), ipaddress.IPv6Network("64:ff9b:1::/48"))
_COMPATIBLE = ipaddress.IPv6Network("::/96")  # RFC 4291, 2.5.5.1, deprecated
_LONGEST_URL = 2000
_MAIL = re.compile(r"[^\s@<>\",;:\\()\[\]]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
_LONGEST_PREFIX = 100


class Forbidden(ValueError):  # noqa: N818 - read as an answer
    """The address may not be called."""


@dataclass(frozen=True)
class Targets:
    """What the settings allow."""

    networks: tuple[IPNetwork, ...] = ()
    """Networks that may be called although they are not public; those may also be called without TLS."""
    ingest_filter: str = "evenleaf/#"
    """Topics that are listened to, on which nothing may be published."""
    mail: bool = True
    """Whether there is a mail server."""


def parse_networks(text: str) -> tuple[IPNetwork, ...]:
    """Return the networks of a list such as ``10.0.0.0/8, fd00::/8``.

    Raises
    ------
    ValueError
        If one is not a network.
    """
    return tuple(ipaddress.ip_network(part.strip()) for part in text.split(",") if part.strip())


def within(address: IPAddress) -> Iterable[IPAddress]:
    """Yield an address and the IPv4 addresses that are reached by it (mapped, translated, tunnelled)."""
    yield address
    if isinstance(address, ipaddress.IPv4Address):
        return
    if address.ipv4_mapped is not None:
        yield address.ipv4_mapped
    if address.sixtofour is not None:
        yield address.sixtofour
    if address.teredo is not None:
        yield from address.teredo
    if any(address in network for network in (*_NAT64, _COMPATIBLE)):
        yield ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)


def allowed_by_name(address: IPAddress, targets: Targets) -> bool:
    """Tell whether the settings allow an address, or the IPv4 address that is mapped into it."""
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return any(one in network for network in targets.networks for one in {address, mapped or address})


def check_address(address: IPAddress, targets: Targets) -> None:
    """Refuse an address that is neither public nor allowed.

    Raises
    ------
    Forbidden
        If it, or an address inside it, is private, loopback, link-local, multicast, reserved or unspecified.
    """
    if allowed_by_name(address, targets):
        return
    for one in within(address):
        mapped = isinstance(one, ipaddress.IPv6Address) and one.ipv4_mapped is not None
        if mapped:  # what it leads to is looked at instead
            continue
        inside = isinstance(one, ipaddress.IPv6Address) and one.is_site_local  # which counts as global
        if inside or not one.is_global or one.is_multicast or one.is_reserved or one.is_unspecified:
            raise Forbidden(
                f"{address} is not a public address, and EVENLEAF_WEBHOOK_NETWORKS does not allow it"
            )


def check_all(addresses: Sequence[IPAddress], scheme: str, targets: Targets) -> None:
    """Refuse a host of which any address may not be called.

    Raises
    ------
    Forbidden
        If an address is forbidden, or the scheme is ``http`` and an address is not allowed by name.
    """
    if not addresses:
        raise Forbidden("the host has no address")
    for address in addresses:
        check_address(address, targets)
        if scheme == "http" and not allowed_by_name(address, targets):
            raise Forbidden(f"{address} may only be called by https")


# --------------------------------------------------------------------------- checks of fields


def webhook_url(value: Any, targets: Targets) -> str:
    """Check the URL of a webhook as far as it can be told without looking its host up."""
    said = "it must be an https URL without user and password, for example https://example.org/hooks/evenleaf"
    if not isinstance(value, str) or not 0 < len(value) <= _LONGEST_URL or not value.isprintable():
        raise ValueError(said)
    text = value.strip()
    try:
        parts = urlsplit(text)
        host, _ = parts.hostname, parts.port
    except ValueError:
        raise ValueError(said) from None
    if parts.scheme not in {"https", "http"} or not host or _has_user(parts) or " " in text:
        raise ValueError(said)
    if parts.scheme == "http" and not targets.networks:
        raise ValueError(said)
    if literal := literal_address(host):
        check_all([literal], parts.scheme, targets)
    return text


def _has_user(parts: SplitResult) -> bool:
    return parts.username is not None or parts.password is not None


def literal_address(host: str) -> IPAddress | None:
    """Return the address that a host is written as; none: it is a name."""
    try:
        return ipaddress.ip_address(host.split("%", 1)[0])
    except ValueError:
        return None


def mail_address(value: Any) -> str:
    """Check a mail address."""
    text = value.strip() if isinstance(value, str) else ""
    if len(text) > 254 or not _MAIL.fullmatch(text) or not text.isprintable():
        raise ValueError("it must be one mail address, for example grower@example.org")
    return text


def topic_prefix(value: Any, targets: Targets) -> str:
    """Check the first part of topics to publish on."""
    text = value.strip().strip("/") if isinstance(value, str) else ""
    wrong = not text.isprintable() or any(c in text for c in "+#") or text.startswith("$") or " " in text
    if not 1 <= len(text.encode()) <= _LONGEST_PREFIX or wrong:
        raise ValueError(
            f"it must be the first part of a topic, 1 to {_LONGEST_PREFIX} bytes without +, # and spaces"
        )
    if may_match_below(targets.ingest_filter, text):
        raise ValueError(
            f"topics below it would be listened to as readings ({targets.ingest_filter}); take another, for"
            " example evenleaf-out"
        )
    return text
