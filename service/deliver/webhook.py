"""Webhooks: a CloudEvents envelope, signed as Standard Webhooks says, posted to an address that may be called.

The host is looked up once; every address found must be allowed, and the connection goes to the address that was
checked, so that a name that answers differently the second time changes nothing. Redirects are not followed.

References
----------
1. CloudEvents 1.0.2, JSON event format, structured content mode.
2. Standard Webhooks 1.0.0: headers ``webhook-id``, ``webhook-timestamp``, ``webhook-signature``.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import ipaddress
import json
import socket
import ssl
from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime
from urllib.parse import SplitResult, urlsplit

import httpx

from service.clock import Clock, SystemClock
from service.deliver.outcome import NotSent
from service.records.tables import Notice, Receiver
from service.work.notices import moment_text
from service.work.receivers_targets import Forbidden, IPAddress, Targets, check_all, literal_address

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
WHOLE_S = 20.0
"""Seconds for looking up, connecting and answering together; a slow receiver must not hold others up."""
_TIMEOUT = httpx.Timeout(10.0, connect=5.0)
_LONGEST_WAIT_S = 3600.0
_REFUSALS = frozenset({400, 410, 413, 414, 415, 422, 431})
"""Answers that refuse this notice and will again: by what it is, or because the receiver is gone for good.

A 401 or 404 may come from a proxy while what is behind it starts anew: such a receiver is as good as away.
"""

Resolve = Callable[[str, int], Awaitable[Sequence[IPAddress]]]


def envelope(notice: Notice) -> bytes:
    """Return a notice as a CloudEvents JSON envelope; the same bytes whenever it is made."""
    event = {
        "specversion": "1.0",
        "id": notice.event_id,
        "source": notice.source,
        "type": notice.type,
        "subject": notice.subject,
        "time": moment_text(notice.created_at),
        "datacontenttype": "application/json",
        "data": notice.data,
    }
    return json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()


def signature(secret: str, event_id: str, timestamp: int, body: bytes) -> str:
    """Return one signature of the header ``webhook-signature`` (HMAC-SHA256 over id, time and body)."""
    key = base64.b64decode(secret.removeprefix("whsec_"))
    signed = f"{event_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


async def resolve(host: str, port: int) -> Sequence[IPAddress]:
    """Return the addresses of a host, each once, in the order in which the system prefers them."""
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(ipaddress.ip_address(str(entry[4][0]).split("%", 1)[0]) for entry in found))


class Webhooks:
    """Posts notices. ``wall`` is the clock that signatures carry: a receiver compares it with its own."""

    def __init__(
        self,
        targets: Targets,
        *,
        resolve: Resolve = resolve,
        wall: Clock | None = None,
        verify: ssl.SSLContext | bool = True,
        whole_s: float = WHOLE_S,
    ) -> None:
        self._targets, self._resolve, self._whole_s = targets, resolve, whole_s
        self._wall: Clock = wall or SystemClock()
        # No proxies or passwords from the environment. Nothing is kept open: connections would be shared by all names
        # at one address, whichever certificate they were checked for.
        self._client = httpx.AsyncClient(
            timeout=_TIMEOUT,
            follow_redirects=False,
            trust_env=False,
            verify=verify,
            limits=httpx.Limits(max_keepalive_connections=0),
        )

    async def close(self) -> None:
        """Let go of connections."""
        await self._client.aclose()

    async def send(self, notice: Notice, receiver: Receiver, now: datetime) -> None:
        """Post a notice; anything but a 2xx answer counts as not sent.

        Raises
        ------
        NotSent
            If the address may not be called, nobody answers in time, or the answer is not 2xx.
        """
        body = envelope(notice)
        headers = {**self._signed(notice, receiver, body, now), "content-type": CONTENT_TYPE}
        try:
            async with asyncio.timeout(self._whole_s):
                await self._post(urlsplit(receiver.target), body, headers)
        except TimeoutError as error:
            raise NotSent(f"no answer within {self._whole_s:g} s") from error
        except httpx.TimeoutException as error:
            raise NotSent("no answer in time") from error
        except (httpx.HTTPError, OSError, ValueError) as error:
            raise NotSent(str(error) or type(error).__name__) from error

    def _signed(self, notice: Notice, receiver: Receiver, body: bytes, now: datetime) -> dict[str, str]:
        timestamp = int(self._wall.now().timestamp())
        secrets = [receiver.secret]
        if receiver.old_secret_until is not None and now < receiver.old_secret_until:
            secrets.append(receiver.old_secret)
        signatures = [signature(s, notice.event_id, timestamp, body) for s in secrets if s]
        return {
            "user-agent": "Evenleaf",
            "webhook-id": notice.event_id,
            "webhook-timestamp": str(timestamp),
            "webhook-signature": " ".join(signatures),
        }

    async def _post(self, url: SplitResult, body: bytes, headers: dict[str, str]) -> None:
        host = url.hostname or ""
        port = url.port or (443 if url.scheme == "https" else 80)
        literal = literal_address(host)
        try:
            addresses = [literal] if literal else await self._resolve(host, port)
        except socket.gaierror as error:
            raise NotSent(f"the host {host} was not found") from error
        try:
            check_all(addresses, url.scheme, self._targets)
        except Forbidden as error:
            raise NotSent(f"not called: {error}") from error
        failed: httpx.ConnectError | None = None
        for address in addresses:
            try:
                return await self._call(url, host, port, address, body, headers)
            except httpx.ConnectError as error:
                failed = error
        raise NotSent(f"could not connect: {failed}") from failed

    async def _call(
        self, url: SplitResult, host: str, port: int, address: IPAddress, body: bytes, headers: dict[str, str]
    ) -> None:
        at = f"[{address}]" if address.version == 6 else str(address)
        path = (url.path or "/") + (f"?{url.query}" if url.query else "")
        request = self._client.build_request(
            "POST",
            f"{url.scheme}://{at}:{port}{path}",
            content=body,
            headers={**headers, "host": url.netloc},
            extensions={"sni_hostname": host} if url.scheme == "https" else {},
        )
        # The answer's body is not read: it says nothing that is needed, and could go on for ever.
        answer = await self._client.send(request, stream=True)
        await answer.aclose()
        if answer.is_success:
            return
        said = f"answered {answer.status_code}"
        if answer.is_redirect:
            raise NotSent(f"{said}, a redirect, which is not followed")
        raise NotSent(
            said,
            retry_after_s=_retry_after(answer.headers.get("retry-after", "")),
            refused=answer.status_code in _REFUSALS,
        )


def _retry_after(text: str) -> float:
    return min(float(text), _LONGEST_WAIT_S) if text.isdecimal() and len(text) < 9 else 0.0
