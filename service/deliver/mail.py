"""Mail over SMTP: plain text, one mail a notice, written to be read on a phone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from dataclasses import field as of
from datetime import date, datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Any
from zoneinfo import ZoneInfo

import aiosmtplib

from service.deliver.outcome import NotSent
from service.records.tables import Notice, Receiver
from service.work.notices import DIGEST, TEST

_TIMEOUT_S = 20.0
_FOOT = (
    "Evenleaf is a planning aid and no safety system: keep the alarms of pumps, heating and power that act by"
    " themselves."
)
_SAID = {"urgent": "Urgent: ", "warning": "", "info": ""}


@dataclass(frozen=True)
class Smtp:
    """A mail server, and as whom to send."""

    host: str
    port: int
    security: str
    """starttls, tls or none."""
    sender: str
    user: str = ""
    password: str = of(default="", repr=False)


class Mail:
    """Sends notices by mail; without a mail server none gets through."""

    def __init__(self, smtp: Smtp | None) -> None:
        self._smtp = smtp

    async def close(self) -> None:
        """Nothing stays open."""

    async def send(self, notice: Notice, receiver: Receiver, now: datetime) -> None:  # noqa: ARG002
        """Send a notice as one mail.

        Raises
        ------
        NotSent
            If there is no mail server, it cannot be reached, or it refuses the mail.
        """
        smtp = self._smtp
        if smtp is None:
            raise NotSent("no mail server is set (EVENLEAF_SMTP_HOST)")
        try:
            await aiosmtplib.send(
                compose(notice, receiver, smtp.sender),
                hostname=smtp.host,
                port=smtp.port,
                username=smtp.user or None,
                password=smtp.password or None,
                use_tls=smtp.security == "tls",
                start_tls=smtp.security == "starttls",
                timeout=_TIMEOUT_S,
            )
        except aiosmtplib.SMTPRecipientsRefused as error:
            first = error.recipients[0]
            raise NotSent(f"refused: {first.code} {first.message}", hopeless=first.code >= 550) from error
        except aiosmtplib.SMTPDataError as error:  # the text itself is refused
            raise NotSent(f"refused: {error.code} {error.message}", refused=error.code >= 500) from error
        except (aiosmtplib.SMTPException, OSError) as error:
            raise NotSent(str(error) or type(error).__name__) from error


def compose(notice: Notice, receiver: Receiver, sender: str) -> EmailMessage:
    """Return a notice as a mail. Its Message-ID is made of the event's id, so that duplicates can be told."""
    subject, text = _written(notice, ZoneInfo(receiver.time_zone))
    mail = EmailMessage(policy=SMTP)
    mail["From"], mail["To"] = sender, receiver.target
    mail["Subject"] = " ".join(subject.split())
    mail["Date"] = format_datetime(notice.created_at)
    domain = sender.rpartition("@")[2]
    mail["Message-ID"] = f"<{notice.event_id}.{receiver.id}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's absence answers it
    if notice.alert_id is not None:  # one thread an alert
        mail["References"] = f"<alert.{notice.alert_id}@{domain}>"
    mail.set_content(text, cte="quoted-printable" if not text.isascii() else None)
    return mail


def _written(notice: Notice, zone: ZoneInfo) -> tuple[str, str]:
    data = notice.data or {}
    if notice.type == TEST:
        return (
            "Evenleaf: a test",
            f"This is a test for the receiver {data['receiver']}. Mail gets through.\n",
        )
    if notice.type == DIGEST:
        return _digest(data, zone)
    if notice.type == "evenleaf.advice.changed":
        return _advice(data)
    if notice.type == "evenleaf.forecast.moved":
        moved = [f"{m['event']} from {_day(m['from'])} to {_day(m['to'])}" for m in data["moved"]]
        return (
            f"{data['code']}: {', '.join(moved)}",
            f"{data['code']} in {data['house']}: {'; '.join(moved)}.\n",
        )
    return _alert(notice.type, data, zone)


def _alert(kind: str, data: dict[str, Any], zone: ZoneInfo) -> tuple[str, str]:
    ended = kind == "evenleaf.alert.ended"
    lead = {
        "evenleaf.alert.ended": "Ended: ",
        "evenleaf.alert.reminded": "Still open: ",
    }.get(kind, _SAID[data["severity"]])
    lines = [data["title"] + ".", "", data["detail"]]
    if not ended:
        lines += ["", "Next step: " + data["nextStep"]]
    lines += ["", f"House: {data['house']}"]
    if data["onsetAt"]:
        lines.append(f"Since: {_moment(data['onsetAt'], zone)}")
    if data["size"] is not None:
        lines.append(f"Size: {data['size']:g} {data['sizeUnit'] or ''}".rstrip())
    lines.append(f"Opened: {_moment(data['openedAt'], zone)}")
    if ended:
        lines.append(f"Ended: {_moment(data['closedAt'], zone)}")
    lines += ["", _FOOT, ""]
    return f"{lead}{data['title']} ({data['house']})", "\n".join(lines)


def _advice(data: dict[str, Any]) -> tuple[str, str]:
    seedings = [f"  {_day(s['on'])}: {s['cells']} cells" for s in data["seedings"]]
    heading = (
        f"{data['succession']}: keep the seeding interval at {data['intervalDays']:g} days"
        if data["decision"] == "hold"
        else f"{data['succession']}: {data['decision']} the seeding interval to {data['advisedIntervalDays']:g} days"
    )
    text = [heading + ".", "", "Seedings advised:", *seedings, "", "Why:"]
    text += [f"  {reason}" for reason in data["reasons"]]
    return f"{heading} ({data['house']})", "\n".join([*text, "", f"House: {data['house']}", ""])


def _digest(data: dict[str, Any], zone: ZoneInfo) -> tuple[str, str]:
    text: list[str] = []

    def part(heading: str, lines: Iterable[str]) -> None:
        if said := [f"  {line}" for line in lines]:
            text.extend([heading, *said, ""])

    part("During the quiet hours:", (_held(held, zone) for held in data["held"]))
    part(
        "Open now:",
        (f"{_SAID[a['severity']]}{a['title']} ({a['house']}). {a['nextStep']}" for a in data["open"]),
    )
    part(
        "To do today:",
        (
            f"{t['title']} ({t['house']})" + (f", {t['assignedTo']}" if t["assignedTo"] else "")
            for t in data["tasks"]
        ),
    )
    part("Ready to harvest by forecast:", (f"{h['code']} ({h['house']})" for h in data["harvests"]))
    return f"{data['farm']}: {_day(data['on'])}", "\n".join([*text, _FOOT, ""])


def _held(data: dict[str, Any], zone: ZoneInfo) -> str:
    kind = data["type"]
    if kind.startswith("evenleaf.alert."):
        ended = kind.endswith("ended")
        at = data["closedAt"] if ended else data["updatedAt"]
        return f"{_clock(at, zone)} {'ended: ' if ended else ''}{data['title']} ({data['house']})"
    if kind == "evenleaf.forecast.moved":
        moved = (f"{m['event']} moved to {_day(m['to'])}" for m in data["moved"])
        return f"{data['code']}: {', '.join(moved)}"
    return f"New advice for {data['succession']}: {data['decision']}"


def _day(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day:%a} {day.day} {day:%b}"


def _moment(text: str, zone: ZoneInfo) -> str:
    local = datetime.fromisoformat(text).astimezone(zone)
    return f"{_day(local.date().isoformat())}, {local:%H:%M}"


def _clock(text: str, zone: ZoneInfo) -> str:
    return f"{datetime.fromisoformat(text).astimezone(zone):%H:%M}"
