"""Replicas and ingest slots that are killed and started again at random, under load: is all there, and there once?

Two ``evenleaf serve`` and two ``evenleaf ingest`` with slots share one PostgreSQL and one broker. Meanwhile sensors
publish, clients read and record over HTTP (sending again, with the same Idempotency-Key, what was not answered), and a
webhook receives alerts. Their clock goes ten times as fast as the machine's, so that much is due in little time.

What must hold is told from outside: by what was published and acknowledged, by what was recorded, by a trigger in the
database that writes down every end of a scheduled run, and by what the webhook received.
"""

from __future__ import annotations

import asyncio
import random
import time
from collections import Counter
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

from sqlalchemy import func, select, text

from ingest.broker import BrokerHandle
from service.clock import SimulatedClock
from service.records.store import Store
from service.records.tables import Alert, Entry, Forecast, Hour, Notice, Reading, Sensor
from service.work.access import SYSTEM, create_token
from service.work.batches import create_batch
from service.work.receivers import create_receiver
from service.work.receivers_targets import Targets, parse_networks
from service.work.sensors import create_sensor
from service.work.watch_limits import set_limits
from service.work.watch_readings import SOLUTION_ALERT
from tests.ingest.rig import hours_of_instants
from tests.live.running import Client, Hook, Process, Publisher, answers, listening_hook, until
from tests.services import free_port
from tests.work.conftest import make_place

RATE = 10.0
START = datetime(2026, 9, 14, 6, 50, tzinfo=UTC)
HOUSES = 4
LEASE_S = 3.0
RUN_MINUTES = 5.0  # of the clock: 30 s
WATCH_MINUTES = 3.0
PUBLISH_S = 0.5
PHASE_S = 4.0  # the solution stays good, or bad, for so long after that was noticed
QUIET_S = 2 * LEASE_S  # at the end, for runs that are to be taken over
PEACE_S = 4.0
ENOUGH_S = 2 * LEASE_S + 2.0
"""In which a replica that lives sees what was left: a lease runs out, the next look comes, on a busy machine."""
AGAIN_WHEN_BACK = 0.8
GOOD_PH, BAD_PH = 6.0, 8.0
JOBS = ("reforecast", "watch")

_TRIGGER = """
CREATE TABLE chaos_run (id bigserial PRIMARY KEY, job text, subject_id bigint, due_at timestamptz,
  ended_at timestamptz);
CREATE FUNCTION chaos_note() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  INSERT INTO chaos_run (job, subject_id, due_at, ended_at)
    VALUES (NEW.job, NEW.subject_id, NEW.due_at, clock_timestamp());
  RETURN NEW;
END $$;
CREATE TRIGGER chaos_note AFTER UPDATE ON job_lease FOR EACH ROW
  WHEN (NEW.done AND NOT OLD.done AND NEW.due_at IS NOT NULL) EXECUTE FUNCTION chaos_note();
"""


_OPEN = select(Alert.house_id).where(Alert.kind == SOLUTION_ALERT, Alert.closed_at.is_(None))


@dataclass
class House:
    """A house, its batch, and its sensors by topic."""

    id: int
    batch_id: int
    sensors: dict[str, int]
    ph_topic: str
    temp_topic: str
    nursery_id: int
    bad: bool = False
    """Whether its solution is out of limits."""
    excursions: int = 0
    """How often it was."""


@dataclass
class Told:
    """What was done to Evenleaf, which is what must be found in it."""

    readings: dict[tuple[int, datetime], float] = field(default_factory=dict)
    keys: list[str] = field(default_factory=list)
    kills: Counter[str] = field(default_factory=Counter)
    served: list[tuple[datetime, datetime]] = field(default_factory=list)
    """Spans of the clock in which a replica was ready."""


async def chaos(
    store: Store, url: str, broker: BrokerHandle, folder: Path, seconds: float, seed: int
) -> dict[str, Any]:
    """Let it run for so many seconds and check what is there after it.

    Parameters
    ----------
    store, url
        A migrated PostgreSQL store of one's own, and its URL.
    broker
        A Mosquitto that keeps sessions.
    folder
        Where logs may lie.

    Returns
    -------
    dict
        Figures of what was done and found.

    Raises
    ------
    AssertionError
        If anything is missing or there twice; it says what.
    """
    async with AsyncExitStack() as stack:
        hook = await stack.enter_async_context(listening_hook())
        clock = SimulatedClock(START, RATE, time.time())
        prefix = f"chaos-{seed}-{free_port()}"
        houses = [await _house(store, clock, f"{prefix}/{n}", hook) for n in range(HOUSES)]
        async with store.engine.begin() as connection:
            for statement in _TRIGGER.split(";\nCREATE "):
                await connection.execute(
                    text(statement if statement.lstrip().startswith("CREATE") else f"CREATE {statement}")
                )
        async with store.write() as uow:
            _, secret = await create_token(uow, clock, SYSTEM, "load", ["read", "record", "write"], None)
        processes = _processes(url, broker, clock, prefix, folder)
        for process in processes:
            stack.push_async_callback(process.clean_up)
            await process.start()
        urls = [url_of(process) for process in processes[:2]]
        for one in urls:
            await until("the replica is ready", partial(answers, one), 120.0)
        publisher = Publisher(broker.url)
        stack.callback(publisher.close)
        client = Client(urls, secret)
        stack.push_async_callback(client.close)
        await _subscribed(store)

        told = Told()
        begun = time.monotonic()
        watching = [asyncio.create_task(_note_served(process, clock, told)) for process in processes[:2]]
        async with asyncio.TaskGroup() as group:
            group.create_task(_publish(publisher, clock, houses, told, seconds))
            group.create_task(_use(client, clock, houses, told, seconds, seed))
            group.create_task(_spoil(store, houses, seconds))
            group.create_task(_kill(processes, told, seconds, seed))
        loaded_s = time.monotonic() - begun
        await publisher.all_taken()
        await _all_settled(store, told, clock)
        taken_s = time.monotonic() - begun
        for task in watching:
            task.cancel()
        await asyncio.gather(*watching, return_exceptions=True)
        codes = [await process.stop() for process in processes]
        assert codes == [0] * len(processes), f"exit codes {codes}"
        found = await _check(store, houses, told, hook, clock)
        complaints = [line for process in processes for line in process.complaints()]
        assert not complaints, "\n".join(complaints[:5])
    return {
        "seconds": round(seconds),
        "loadedS": round(loaded_s),
        "untilAllWasThereS": round(taken_s),
        "seed": seed,
        "kills": dict(told.kills),
        "messages": publisher.sent,
        "requests": client.answers,
        "requestsSentAgain": client.retries,
        **found,
    }


# --------------------------------------------------------------------------- what there is


async def _house(store: Store, clock: SimulatedClock, prefix: str, hook: Hook) -> House:
    place = await make_place(store, clock, f"Farm {prefix}")  # type: ignore[arg-type]
    sensors: dict[str, int] = {}
    async with store.write() as uow:
        made = await create_batch(
            uow,
            clock,
            SYSTEM,
            {"succession_id": place.succession.id, "seeded_on": date(2026, 9, 1), "code": "B1"},
        )
        for zone in (place.nursery, place.channels):
            for quantity, unit in (
                ("temp_air_c", "degC"),
                ("ppfd_umol", "umol m-2 s-1"),
                ("humidity_pct", "%"),
                ("co2_ppm", "ppm"),
                ("ph", "pH"),
            ):
                sensor = await create_sensor(
                    uow,
                    SYSTEM,
                    {
                        "house_id": place.house.id,
                        "zone_id": zone.id,
                        "name": f"{zone.code} {quantity}",
                        "quantity": quantity,
                        "unit": unit,
                        "topic": f"{prefix}/{zone.code}/{quantity}",
                        "interval_s": 300.0,
                    },
                )
                sensors[sensor.topic] = sensor.id
            await set_limits(uow, SYSTEM, zone.id, "ph", {"low": 5.0, "high": 7.0, "after_minutes": 1.0})
        targets = Targets(parse_networks("127.0.0.0/8"))
        values = {"farm_id": place.farm.id, "kind": "webhook", "name": "hook", "target": hook.url}
        await create_receiver(uow, clock, SYSTEM, targets, values)
    return House(
        place.house.id,
        made.batch.id,
        sensors,
        f"{prefix}/ch/ph",
        f"{prefix}/table/temp_air_c",
        place.nursery.id,
    )


def _processes(
    url: str, broker: BrokerHandle, clock: SimulatedClock, prefix: str, folder: Path
) -> list[Process]:
    common = {
        "EVENLEAF_DATABASE_URL": url,
        "EVENLEAF_CLOCK": clock.spec(),
        "EVENLEAF_MQTT_URL": broker.url,
        "EVENLEAF_MQTT_TOPIC": f"{prefix}/#",
    }
    found = []
    for number in range(2):
        settings = {
            **common,
            "EVENLEAF_PORT": str(free_port()),
            "EVENLEAF_INGEST": "false",
            "EVENLEAF_REFORECAST_MINUTES": str(RUN_MINUTES),
            "EVENLEAF_WATCH_MINUTES": str(WATCH_MINUTES),
            "EVENLEAF_MEMBERS": "10",
            "EVENLEAF_HORIZON_DAYS": "60",
            "EVENLEAF_WEBHOOK_NETWORKS": "127.0.0.0/8",
        }
        found.append(Process(f"replica {number}", ["serve"], settings, folder / f"serve{number}", LEASE_S))
    for number in range(2):
        settings = {**common, "EVENLEAF_INGEST_SLOTS": "2"}
        found.append(Process(f"slot {number}", ["ingest"], settings, folder / f"ingest{number}", LEASE_S))
    return found


async def _subscribed(store: Store) -> None:
    """Wait until both slots' sessions are there: from then on the broker keeps what nobody takes."""

    async def both() -> bool:
        async with store.read() as uow:
            holders = await uow.session.scalars(
                text("SELECT DISTINCT holder FROM ingest_slot WHERE holder IS NOT NULL")
            )  # type: ignore[call-overload]
            return len(holders.all()) == 2

    await until("both slots are held", both, 60.0)
    await asyncio.sleep(2.0)


# --------------------------------------------------------------------------- load, and kills


def value_of(topic: str, at: datetime, ph: float) -> float:
    """Return what a sensor measures."""
    wave = (at - START).total_seconds() % 600.0 / 600.0
    kind = topic.rpartition("/")[2]
    usual = {"temp_air_c": 20.0, "ppfd_umol": 200.0, "humidity_pct": 70.0, "co2_ppm": 500.0, "ph": 0.0}
    return round(ph if kind == "ph" else usual[kind] + wave, 3)


async def _publish(
    publisher: Publisher, clock: SimulatedClock, houses: list[House], told: Told, seconds: float
) -> None:
    begun = time.monotonic()
    while (elapsed := time.monotonic() - begun) < seconds or any(house.bad for house in houses):
        at = clock.now()
        at = at.replace(microsecond=at.microsecond // 1000 * 1000)
        for house in houses:
            for topic, sensor_id in house.sensors.items():
                value = value_of(topic, at, BAD_PH if house.bad and topic == house.ph_topic else GOOD_PH)
                publisher.publish(topic, f'{{"value": {value}, "time": "{at.isoformat()}"}}')
                told.readings[sensor_id, at] = value
        await asyncio.sleep(max(0.0, PUBLISH_S - (time.monotonic() - begun - elapsed)))
    # The solution has been good for long enough that the last alert ends.
    at = clock.now().replace(microsecond=0)
    for number in range(4):
        for house in houses:
            when = at + timedelta(seconds=30 * number)
            sensor_id = house.sensors[house.ph_topic]
            publisher.publish(house.ph_topic, f'{{"value": {GOOD_PH}, "time": "{when.isoformat()}"}}')
            told.readings[sensor_id, when] = GOOD_PH


async def _spoil(store: Store, houses: list[House], seconds: float) -> None:
    """Let each house's solution leave its limits again and again, each time until that was noticed."""
    begun = time.monotonic()
    changed = dict.fromkeys((house.id for house in houses), begun)
    while (now := time.monotonic()) - begun < seconds or any(house.bad for house in houses):
        assert now - begun < seconds + 120.0, "an alert does not open"
        async with store.read() as uow:
            noticed = set(await uow.session.scalars(_OPEN))
        for house in houses:
            if house.bad != (house.id in noticed):
                changed[house.id] = now
            elif now - changed[house.id] > PHASE_S and (house.bad or now - begun < seconds - PEACE_S):
                house.bad = not house.bad
                house.excursions += house.bad
                changed[house.id] = now
        await asyncio.sleep(0.5)


async def _use(
    client: Client, clock: SimulatedClock, houses: list[House], told: Told, seconds: float, seed: int
) -> None:
    rng = random.Random(seed + 1)  # noqa: S311
    begun = time.monotonic()
    number = 0
    while time.monotonic() - begun < seconds:
        house = rng.choice(houses)
        await client.ask("GET", f"/v1/houses/{house.id}/line")
        if number % 4 == 0:
            key = f"chaos-{seed}-{number}"
            entry = {
                "kind": "leaves_counted",
                "happenedAt": (clock.now() - timedelta(seconds=1)).isoformat(),
                "leaves": 2.5,
                "note": key,
            }
            headers = {"Idempotency-Key": key}
            await client.ask("POST", f"/v1/batches/{house.batch_id}/entries", json=entry, headers=headers)
            told.keys.append(key)
        number += 1
        await asyncio.sleep(0.2)


async def _kill(processes: list[Process], told: Told, seconds: float, seed: int) -> None:
    """Kill one, some or all of the processes at random moments, and start them again after a while.

    The first to die are a replica and a slot: on a slow machine a short run has time for no more.
    """
    rng = random.Random(seed)  # noqa: S311
    begun = time.monotonic()
    await asyncio.sleep(PEACE_S)
    victims = [rng.choice(processes[:2]), rng.choice(processes[2:])]
    while time.monotonic() - begun < seconds - PEACE_S:
        for victim in victims:
            await victim.kill()
            told.kills[victim.name.split()[0]] += 1
        for victim in victims:
            await asyncio.sleep(rng.uniform(0.1, 1.0))
            await victim.start()
        # Mostly only once the replicas are back, or on a slow machine nobody would ever be; now and then as they start.
        if rng.random() < AGAIN_WHEN_BACK:
            for replica in (process for process in processes if process.arguments == ["serve"]):
                await until("the replica is back", partial(answers, url_of(replica)), 120.0)
        await asyncio.sleep(rng.uniform(4.0, 12.0))
        victims = rng.sample(processes, rng.choices((1, 2, 3, 4), (10, 5, 2, 1))[0])


def url_of(replica: Process) -> str:
    """Return where a replica serves."""
    return f"http://127.0.0.1:{replica.settings['EVENLEAF_PORT']}"


async def _note_served(replica: Process, clock: SimulatedClock, told: Told) -> None:
    """Write down when a replica was ready, until cancelled."""
    url = url_of(replica)
    since: datetime | None = None
    try:
        while True:
            now = clock.now()
            kills = replica.kills
            if await answers(url):
                since = since or now
            if since is not None and (replica.kills != kills or not replica.lives):
                told.served.append((since, now))
                since = None
            await asyncio.sleep(0.2)
    finally:
        if since is not None:
            told.served.append((since, clock.now()))


def _was_served(told: Told, due: datetime, minutes: float) -> bool:
    """Whether in the time of a run a replica was there long enough to see it, or to take it over."""
    enough = timedelta(seconds=ENOUGH_S * RATE)
    end = due + timedelta(minutes=minutes)
    return any(min(end, until) - max(due, since) >= enough for since, until in told.served)


async def _all_settled(store: Store, told: Told, clock: SimulatedClock) -> None:
    """Wait until what came is stored, computed, watched and sent."""
    from service.records.conditions import touched_hours_left

    async def stored() -> bool:
        async with store.read() as uow:
            count = await uow.session.scalar(select(func.count()).select_from(Reading))
            return (count or 0) >= len(told.readings) and await touched_hours_left(uow) == 0

    await until("all readings are stored and their hours computed", stored, 120.0)

    async def quiet() -> bool:
        async with store.read() as uow:
            open_ = (await uow.session.scalars(_OPEN)).all()
            waiting = await uow.session.scalar(
                select(func.count()).select_from(Notice).where(Notice.state == "waiting")
            )
            return not open_ and waiting == 0

    await until("alerts of the solution have ended and notices are sent", quiet, 120.0)
    # Runs whose time came while all were dead have a lease's time to be taken over.
    await asyncio.sleep(QUIET_S)


# --------------------------------------------------------------------------- what was found


async def _check(
    store: Store, houses: list[House], told: Told, hook: Hook, clock: SimulatedClock
) -> dict[str, Any]:
    found = {
        **await _check_readings(store, houses, told),
        **await _check_runs(store, houses, told, clock),
        **await _check_alerts(store, houses, hook),
    }
    async with store.read() as uow:
        notes = Counter(await uow.session.scalars(select(Entry.note).where(Entry.kind == "leaves_counted")))
    assert notes == dict.fromkeys(told.keys, 1), _difference(notes, told.keys)
    return {**found, "entries": len(told.keys)}


def _difference(found: Counter[Any], keys: list[str]) -> str:
    twice = [key for key, times in found.items() if times > 1]
    return f"missing {[k for k in keys if k not in found][:5]}, twice {twice[:5]}"


async def _check_readings(store: Store, houses: list[House], told: Told) -> dict[str, Any]:
    async with store.read() as uow:
        rows = (await uow.session.execute(select(Reading.sensor_id, Reading.at, Reading.value))).all()
        hours = (await uow.session.scalars(select(Hour))).all()
        letters = await uow.session.scalar(text("SELECT count(*) FROM dead_letter"))
    stored = {(sensor_id, at): value for sensor_id, at, value in rows}
    assert len(rows) == len(stored)
    missing, more = told.readings.keys() - stored.keys(), stored.keys() - told.readings.keys()
    assert not missing, f"{len(missing)} readings missing, for example {min(missing)}"
    assert not more, f"{len(more)} readings too many, for example {min(more)}"
    assert stored == told.readings
    assert letters == 0
    # An hour that counted a reading twice, or not, would have another mean than the readings themselves.
    checked = 0
    for house in houses:
        sensor_id = house.sensors[house.temp_topic]
        samples = [(at, value) for (one, at), value in told.readings.items() if one == sensor_id]
        expected = hours_of_instants(samples, timedelta(minutes=15))
        own = {hour.at: hour for hour in hours if hour.zone_id == house.nursery_id}
        for at, slow in expected.items():
            assert abs(own[at].temp_coverage - slow.covered_s / 3600.0) < 1e-3, (house.id, at)
            assert abs((own[at].temp_mean_c or 0.0) - slow.integral / slow.covered_s) < 1e-3, (house.id, at)
            checked += 1
    return {"readings": len(rows), "hoursChecked": checked}


async def _check_runs(store: Store, houses: list[House], told: Told, clock: SimulatedClock) -> dict[str, Any]:
    async with store.read() as uow:
        ended = (
            await uow.session.execute(text("SELECT job, subject_id, due_at, ended_at FROM chaos_run"))
        ).all()
        forecasts = Counter(await uow.session.scalars(select(Forecast.batch_id)))
        # What is recorded is forecast soon after, beside the scheduled runs.
        recorded = Counter(
            await uow.session.scalars(select(Entry.batch_id).where(Entry.kind == "leaves_counted"))
        )
    times = Counter((job, subject_id, due_at) for job, subject_id, due_at, _ in ended)
    twice = [key for key, count in times.items() if count > 1]
    assert not twice, f"runs that ended twice: {twice[:5]}"
    done: dict[str, int] = {}
    # When each ended, by the clock that the processes share.
    ends = {
        (job, subject_id, due_at): clock.start
        + timedelta(seconds=(ended_at.timestamp() - clock.anchor) * clock.rate)
        for job, subject_id, due_at, ended_at in ended
    }
    unserved = overrun = 0
    for job, minutes in zip(JOBS, (RUN_MINUTES, WATCH_MINUTES), strict=True):
        subjects = {house.id for house in houses} if job == "reforecast" else {0}
        for subject in subjects:
            due = sorted(due_at for one, of, due_at in times if (one, of) == (job, subject))
            step = timedelta(minutes=minutes)
            wanted = [due[0] + n * step for n in range((due[-1] - due[0]) // step + 1)]
            missing = sorted(set(wanted) - set(due))
            # A run that lasts into the next one's end, on a machine that is too slow, swallows that one.
            enough = timedelta(seconds=ENOUGH_S * RATE)
            late = [
                at for at in missing if ends[job, subject, max(d for d in due if d < at)] > at + step - enough
            ]
            left_out = [at for at in missing if at not in late and _was_served(told, at, minutes)]
            overrun += len(late)
            unserved += len(missing) - len(late) - len(left_out)
            assert not left_out, (
                f"{job} of {subject} left out {len(left_out)} of {len(wanted)}: {left_out[:5]}"
            )
            done[job] = done.get(job, 0) + len(due)
    for house in houses:
        most = done["reforecast"] / len(houses) + recorded[house.batch_id]
        assert 1 <= forecasts[house.batch_id] <= most
    return {
        "scheduledRuns": done,
        "timesWithoutAReplica": unserved,
        "timesOverrun": overrun,
        "forecasts": forecasts.total(),
    }


async def _check_alerts(store: Store, houses: list[House], hook: Hook) -> dict[str, Any]:
    async with store.read() as uow:
        alerts = list(await uow.session.scalars(select(Alert)))
        sensors = {s.id: s for s in await uow.session.scalars(select(Sensor))}
        notices = list(await uow.session.scalars(select(Notice)))
    solution = Counter(
        sensors[int(a.subject.removeprefix("sensor:"))].topic for a in alerts if a.kind == SOLUTION_ALERT
    )
    wanted_alerts = {house.ph_topic: house.excursions for house in houses if house.excursions}
    assert solution == wanted_alerts, f"alerts {solution}, wanted {wanted_alerts}"
    by_subject: dict[tuple[int, str, str], list[Alert]] = {}
    for alert in alerts:
        by_subject.setdefault((alert.house_id, alert.kind, alert.subject), []).append(alert)
    for key, same in by_subject.items():
        same.sort(key=lambda a: a.opened_at)
        for one, following in pairwise(same):
            assert one.closed_at is not None, f"{key} is open twice"
            assert one.closed_at <= following.opened_at, f"{key} was open twice at a time"
    for change in ("opened", "ended"):
        kind = f"evenleaf.alert.{change}"
        of = Counter(n.alert_id for n in notices if n.type == kind)
        wanted = {a.id for a in alerts if change == "opened" or a.closed_at is not None}
        assert of == dict.fromkeys(wanted, 1), f"notices of alerts {change}"
        heard = Counter(event["subject"] for event in hook.events.values() if event["type"] == kind)
        assert heard == {f"alerts/{alert_id}": 1 for alert_id in wanted}, f"webhooks of alerts {change}"
    return {
        "alerts": dict(Counter(a.kind for a in alerts)),
        "webhooks": len(hook.events),
        "webhooksSentAgain": hook.calls - len(hook.events),
    }
