"""``evenleaf demo``: a service of its own, an invented farm that publishes to it, and what it concludes."""

from __future__ import annotations

import asyncio
import json
import os
import secrets
import socket
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from seed_demo.scenario import Season, Sites, span
from service.clock import SimulatedClock
from service.opening import listen_to_signals
from service.process import Service, running_service
from service.records.conditions import readings_count
from service.records.places import all_house_ids
from service.settings import Settings, SettingsError
from service.work.access import SYSTEM, create_token
from service.work.conditions import settle_hours
from service.work.errors import Conflict
from service.work.line import HouseLine, LineBatch, Span, house_line
from service.work.users import create_user, prepare_user
from service.work.watch import Watcher

_LEAD_S = 6.0  # real seconds for the farm to be set up before its clock starts
_DRAIN_S = 30.0
_LOGIN = "demo"


@dataclass(frozen=True)
class Outcome:
    """What the demo found."""

    readings_published: int
    readings_stored: int
    lines: list[HouseLine]


async def run_demo(
    settings: Settings,
    *,
    season: Season,
    sites: Sites,
    seed: int,
    seconds: float,
    folder: Path | None,
    as_json: bool,
    then_exit: bool,
) -> int:
    """Run the demo, print what was concluded, and serve it unless told to exit."""
    if settings.database_url or settings.database_url_file or settings.mqtt_url:
        raise SettingsError(
            "the demo runs on its own store and broker: unset EVENLEAF_DATABASE_URL and EVENLEAF_MQTT_URL"
        )
    say = _quiet if as_json else _say
    start, end = span(season)
    clock = SimulatedClock(
        start=start, rate=(end - start).total_seconds() / seconds, anchor=time.time() + _LEAD_S, until=end
    )
    with tempfile.TemporaryDirectory(prefix="evenleaf-demo-") as temporary:
        own = replace(
            settings,
            data_dir=(folder or Path(temporary)),
            ingest=True,
            clock=clock.spec(),
            mqtt_bind=f"127.0.0.1:{_free_port(1883)}",
            port=_free_port(settings.port),
        )
        stop = asyncio.Event()
        listen_to_signals(stop)
        async with running_service(own, stop) as service:
            outcome = await _run(service, season, sites, seed, say)
            if outcome is not None:
                _print(outcome, as_json=as_json)
                if not then_exit:
                    await _serve_on(service, say)
            return 1 if service.failures else 0


async def _run(
    service: Service, season: Season, sites: Sites, seed: int, say: Callable[[str], None]
) -> Outcome | None:
    assert service.broker is not None  # noqa: S101 - the demo's settings always have one
    async with service.store.write() as uow:
        _, secret = await create_token(
            uow, service.clock, SYSTEM, "demo farm", ["write", "ingest", "admin"], None
        )
    say(f"Store: {service.store.dialect} in {service.settings.data_dir}; broker: {service.broker.kind}")
    playing = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "seed_demo",
        *("--url", service.url, "--season", season, "--sites", sites, "--seed", str(seed)),
        *(() if service.broker.mqtt5 else ("--mqtt311",)),
        env={
            **os.environ,
            "EVENLEAF_TOKEN": secret,
            "EVENLEAF_MQTT_URL": service.broker.url,
            "EVENLEAF_CLOCK": service.settings.clock,
        },
        stdout=asyncio.subprocess.PIPE,
    )
    ending = asyncio.create_task(_end_when_told(service.stop, playing))
    published, told = 0, -1
    assert playing.stdout is not None  # noqa: S101 - asked for above
    async for line in playing.stdout:
        news = json.loads(line)
        published = news["readings"]
        if (tenth := int(10 * news["share"])) > told:
            told = tenth
            say(f"  {news['at'][:10]}: {published:>6,} readings published, {news['facts']:>3} facts recorded")
    code = await playing.wait()
    ending.cancel()
    if service.stop.is_set():
        return None
    if code != 0:
        raise RuntimeError("the simulated farm ended with an error")
    stored = await _drained(service, published)
    while await _settled(service):
        pass
    say("Re-forecasting")
    lines = []
    async with service.store.read() as uow:
        ids = await all_house_ids(uow)
    for house_id in ids * 2:  # twice: what is learnt in one house tells of the others
        await service.reforecaster.house(house_id)
    watcher = Watcher(service.store, service.clock)
    for house_id in ids:
        await watcher.house(house_id)  # what was late on the fast clock is not silent
        async with service.store.read() as uow:
            lines.append(await house_line(uow, service.clock, SYSTEM, house_id))
    return Outcome(published, stored, lines)


async def _end_when_told(stop: asyncio.Event, playing: asyncio.subprocess.Process) -> None:
    await stop.wait()
    with suppress(ProcessLookupError):
        playing.terminate()


async def _drained(service: Service, published: int) -> int:
    """Wait until all that was published is stored, and return how many readings are."""
    deadline = time.monotonic() + _DRAIN_S
    while True:
        async with service.store.read() as uow:
            stored = await readings_count(uow)
        if stored >= published or time.monotonic() > deadline:
            return stored
        await asyncio.sleep(0.1)


async def _settled(service: Service) -> int:
    async with service.store.write() as uow:
        return len(await settle_hours(uow, 5000))


async def _serve_on(service: Service, say: Callable[[str], None]) -> None:
    if service.first_token:
        say(f"Token, shown once (all rights): {service.first_token}")
    password = secrets.token_urlsafe(9)
    owner = await prepare_user({"login": _LOGIN, "display_name": "Demo grower", "role": "owner"}, password)
    async with service.store.write() as uow:
        try:
            await create_user(uow, service.clock, SYSTEM, owner)
        except Conflict:  # the folder was used before
            say(f"Look at the houses: {service.url} (log in as {_LOGIN}, password as first shown)")
        else:
            say(f"Look at the houses: {service.url} (log in as {_LOGIN}, password {password})")
    say(f"The API's pages: {service.url}/docs. The demo's clock stands still. Ctrl-C ends it.")
    await service.stop.wait()


def _free_port(wanted: int) -> int:
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise SettingsError("no free port on 127.0.0.1")


def _say(text: str) -> None:
    print(text, flush=True)


def _quiet(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


# --------------------------------------------------------------------------- printing


def _print(outcome: Outcome, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(as_object(outcome), indent=1))
    else:
        print(as_text(outcome))


def as_object(outcome: Outcome) -> dict[str, Any]:
    """Return what the demo found as one JSON object."""
    batches = [(line, b) for line in outcome.lines for b in line.batches]
    return {
        "readingsPublished": outcome.readings_published,
        "readingsStored": outcome.readings_stored,
        "batches": [
            {
                "house": line.house,
                "code": b.code,
                "crop": b.crop,
                "succession": b.succession,
                "stage": b.stage,
                "seededOn": b.seeded_on.isoformat(),
                "plants": b.plants,
            }
            for line, b in batches
        ],
        "forecasts": [
            {
                "batch": b.code,
                "madeAt": _iso(b.forecast_at),
                "leaves": b.leaves,
                "freshG": b.fresh_g,
                "windowOpen": _span_json(b.window_open),
                "windowClose": _span_json(b.window_close),
                "transplant": _span_json(b.transplant),
                "harvest": _span_json(b.harvest),
                "notWithinDays": b.not_within_days,
                "reasons": b.reasons,
            }
            for _, b in batches
            if b.forecast_at is not None
        ],
        "advice": [
            {
                "house": line.house,
                "succession": item.succession,
                "decision": item.advice.decision,
                "intervalDays": item.advice.interval_days,
                "advisedIntervalDays": item.advice.advised_interval_days,
                "cellsPerSeeding": item.advice.cells_per_seeding,
                "from": item.advice.from_on.isoformat(),
                "binding": item.advice.binding,
                "probability": item.advice.probability,
                "seedings": item.advice.seedings,
                "outcome": item.advice.outcome,
                "reasons": item.advice.reasons,
            }
            for line in outcome.lines
            for item in line.advice
        ],
        "alerts": [
            {
                "house": line.house,
                "kind": a.kind,
                "subject": a.subject,
                "severity": a.severity,
                "title": a.title,
                "detail": a.detail,
                "nextStep": a.next_step,
                "openedAt": _iso(a.opened_at),
            }
            for line in outcome.lines
            for a in line.alerts
        ],
    }


def _iso(moment: datetime | None) -> str | None:
    return moment.isoformat() if moment else None


def _span_json(span: Span | None) -> dict[str, str | None] | None:
    return {"p10": _iso(span.p10), "p50": _iso(span.p50), "p90": _iso(span.p90)} if span else None


def as_text(outcome: Outcome) -> str:
    """Return what the demo found as a page to read."""
    text = [f"\n{outcome.readings_stored:,} readings stored of {outcome.readings_published:,} published."]
    for line in outcome.lines:
        zone = ZoneInfo(line.time_zone)
        text.append(f"\n{line.house}, {line.at.astimezone(zone):%a %d %b %Y}\n")
        text.append(
            f"  {'batch':<20}{'crop':<15}{'stage':<10}{'seeded':<8}{'plants':>7}{'leaves':>8}{'fresh g':>9}"
            f"  {'transplant (10-90 %)':<26}{'harvest (10-90 %)':<26}"
        )
        text.extend(_row(batch, zone) for batch in line.batches)
        for item in line.advice:
            a = item.advice
            change = (
                f"hold at {a.interval_days:g} days"
                if a.decision == "hold"
                else f"{a.decision} from {a.interval_days:g} to {a.advised_interval_days:g} days"
            )
            if a.outcome["paused"]:
                change = f"pause, then a seeding every {a.advised_interval_days:g} days"
            text.append(
                f"\n  {item.succession}: {change}, {a.cells_per_seeding} cells a seeding, from {a.from_on:%a %d %b}"
                f" (binding: {a.binding})"
            )
            text.extend(f"    - {reason}" for reason in a.reasons)
            text.append(
                "    - Next seedings: "
                + ", ".join(
                    f"{datetime.fromisoformat(s['on']):%a %d %b} ({s['cells']})" for s in a.seedings[:5]
                )
            )
        text.append("\n  Open alerts: " + ("none" if not line.alerts else ""))
        text.extend(
            f"    - [{a.severity}] {a.title} (since {a.opened_at.astimezone(zone):%d %b})"
            for a in line.alerts
        )
    return "\n".join(text)


def _row(batch: LineBatch, zone: ZoneInfo) -> str:
    def number(value: float | None, digits: int) -> str:
        return "-" if value is None else f"{value:.{digits}f}"

    transplant = (
        "done" if batch.stage == "channels" else _range(batch.transplant, zone, batch.not_within_days)
    )
    return (
        f"  {batch.code:<20}{batch.crop:<15}{batch.stage:<10}{batch.seeded_on:%d %b}  {batch.plants:>7}"
        f"{number(batch.leaves, 1):>8}{number(batch.fresh_g, 0):>9}  {transplant:<26}"
        f"{_range(batch.harvest, zone, batch.not_within_days):<26}"
    )


def _range(span: Span | None, zone: ZoneInfo, horizon: int | None) -> str:
    if span is None:
        return "-"
    if span.p50 is None:
        return f"not within {horizon} days"
    low, middle, high = (
        f"{m.astimezone(zone):%d %b}" if m else "later" for m in (span.p10, span.p50, span.p90)
    )
    return f"{middle} ({low} - {high})"
