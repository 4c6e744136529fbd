"""Re-forecasts of a house: what is concluded, what is kept, and when nothing is."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import delete, func, select

from service.clock import FixedClock
from service.computing import running_workers
from service.records.conditions import save_hours
from service.records.events import save_weather
from service.records.store import Store
from service.records.tables import Advice, Alert, Forecast, Hour, Task
from service.work import reforecast as job
from service.work.access import SYSTEM
from service.work.batches import append_entry, change_batch, create_batch
from service.work.crops import change_crop, change_cultivar
from service.work.errors import NotFound
from service.work.events import change_event, create_event
from service.work.line import LineBatch, house_line, span
from service.work.orders import create_order
from service.work.places import change_house, change_zone, create_house
from service.work.programme import change_succession, create_succession
from service.work.reforecast import Reforecaster, Run
from tests.conftest import open_store
from tests.work.conftest import Place

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)
LIT = range(6, 18)  # hours of the day that bring light
# What is computed, not kept, is looked at on one database.
ONE_DATABASE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
EVENTS = ("emergence", "window_open", "window_close", "transplant", "harvest")


@dataclass
class House:
    """A house with its clock, which tests turn, and someone who re-forecasts it."""

    store: Store
    place: Place
    now: datetime = NOW
    members: int = 10
    horizon_days: int = 90

    def __post_init__(self) -> None:
        self.reforecaster = self.another()

    @property
    def clock(self) -> FixedClock:
        """Stands at the house's present."""
        return FixedClock(self.now)

    def another(self) -> Reforecaster:
        """Return a re-forecaster that knows nothing yet, as after a start, on the house's own clock."""
        house = self

        class Turned:
            rate = 0.0

            def now(self) -> datetime:
                return house.now

        return Reforecaster(self.store, Turned(), self.members, self.horizon_days)

    async def run(self) -> Run:
        """Re-forecast."""
        return await self.reforecaster.house(self.place.house.id)

    async def measure(
        self,
        first: datetime,
        last: datetime,
        *,
        light: float | None = 20.0,
        temp: float | None = 22.0,
        zones: Sequence[int] | None = None,
    ) -> None:
        """Have hours of days with this light [mol m-2 d-1] and temperature [°C] stored for both zones."""
        hours = round((last - first) / timedelta(hours=1))
        times = [first + timedelta(hours=h) for h in range(hours)]
        rows = [
            {
                "zone_id": zone_id,
                "at": at,
                "temp_mean_c": temp,
                "temp_min_c": temp,
                "temp_max_c": temp,
                "temp_coverage": 0.0 if temp is None else 1.0,
                "light_mol": None if light is None else light / len(LIT) if at.hour in LIT else 0.0,
                "light_coverage": 0.0 if light is None else 1.0,
            }
            for zone_id in zones or (self.place.nursery.id, self.place.channels.id)
            for at in times
        ]
        async with self.store.write() as uow:
            await save_hours(uow, rows)

    async def seed(self, day: date, code: str, **more: Any) -> int:
        """Seed a batch and return its id."""
        values = {"succession_id": self.place.succession.id, "seeded_on": day, "code": code, **more}
        async with self.store.write() as uow:
            return (await create_batch(uow, self.clock, SYSTEM, values)).batch.id

    async def write_down(self, batch_id: int, kind: str, at: datetime, **more: Any) -> None:
        """Append to a batch's ledger."""
        async with self.store.write() as uow:
            await append_entry(uow, self.clock, SYSTEM, batch_id, {"kind": kind, "happened_at": at, **more})

    async def forecasts(self) -> list[Forecast]:
        """Return all forecasts, oldest first."""
        async with self.store.read() as uow:
            return list(await uow.session.scalars(select(Forecast).order_by(Forecast.id)))

    async def advice(self) -> list[Advice]:
        """Return all advice, oldest first."""
        async with self.store.read() as uow:
            return list(await uow.session.scalars(select(Advice).order_by(Advice.id)))

    async def alerts(self, kind: str) -> list[Alert]:
        """Return all alerts of a kind, oldest first."""
        async with self.store.read() as uow:
            return list(await uow.session.scalars(select(Alert).where(Alert.kind == kind).order_by(Alert.id)))

    async def line(self) -> dict[str, LineBatch]:
        """Return the batches of the line by their codes."""
        async with self.store.read() as uow:
            line = await house_line(uow, self.clock, SYSTEM, self.place.house.id)
            return {b.code: b for b in line.batches}

    async def rows(self) -> tuple[int, int, int]:
        """Return how many forecasts, advices and alerts there are."""
        async with self.store.read() as uow:
            alerts = (await uow.session.scalars(select(Alert))).all()
        return len(await self.forecasts()), len(await self.advice()), len(alerts)


def at(day: int, hour: int = 10) -> datetime:
    """Return a moment of September 2026; days before the first lie in August."""
    return datetime(2026, 9, 1, hour, tzinfo=UTC) + timedelta(days=day - 1)


@pytest.fixture
async def house(store: Store, place: Place) -> House:
    """Have a house without batches or measurements, south enough for heads in winter."""
    async with store.write() as uow:
        await change_house(uow, SYSTEM, place.house.id, {"latitude_deg": 36.0})
        await change_zone(uow, SYSTEM, place.nursery.id, {"plants_m2": 800.0})
    return House(store, place)


@pytest.fixture
async def working(house: House) -> House:
    """Have a house with eight weeks of measured hours and batches in every stage."""
    await house.measure(NOW - timedelta(days=45), NOW)
    old = await house.seed(date(2026, 8, 3), "old")
    await house.write_down(old, "transplanted", at(-8), plants=160)
    finished = await house.seed(date(2026, 7, 20), "finished")
    await house.write_down(finished, "transplanted", at(-22), plants=160)
    await house.write_down(finished, "discarded", at(-22, 11), plants=40, reason="not needed")
    await house.write_down(finished, "harvested", at(8), plants=160, weight_g=150.0)
    table = await house.seed(date(2026, 8, 31), "table")
    await house.write_down(table, "emergence_counted", at(3), plants=190)
    await house.seed(date(2026, 9, 14), "sown")
    return house


def in_order(batch: LineBatch) -> None:
    """Check that dates and their ranges follow each other."""
    for event in EVENTS:
        span = getattr(batch, event)
        assert span.p10 <= span.p50 <= span.p90, (batch.code, event)
    for p in ("p10", "p50", "p90"):
        emergence, opens, closes, harvest = (
            getattr(getattr(batch, event), p)
            for event in ("emergence", "window_open", "window_close", "harvest")
        )
        assert emergence < opens < closes
        assert opens <= harvest


# --------------------------------------------------------------------------- forecasts


async def test_live_batches_get_one_forecast_and_the_succession_one_advice(working: House) -> None:
    run = await working.run()
    assert run == Run(working.place.house.id, True, 3, 1, run.alerts_opened, 0)
    line = await working.line()
    assert list(line) == ["old", "table", "sown"]
    for batch in line.values():
        in_order(batch)
        assert batch.forecast_at == NOW
    assert line["old"].transplant is not None
    assert line["old"].transplant.p10 == line["old"].transplant.p90 == at(-8)
    assert line["table"].emergence is not None
    # Recorded on the third: looked for on the second, so that it is when they came up.
    assert line["table"].emergence.p10 == line["table"].emergence.p90 == at(3)
    assert line["sown"].leaves == line["sown"].fresh_g == 0.0
    assert 30.0 < (line["old"].fresh_g or 0.0) < 200.0
    (advice,) = await working.advice()
    assert advice.succession_id == working.place.succession.id
    assert "20.0 mol m-2 d-1 and 22.0 °C" in advice.reasons[0]
    assert line["sown"].reasons == []  # it was sown this moment
    assert all(date.fromisoformat(s["on"]).isoweekday() == 1 for s in advice.seedings)


@ONE_DATABASE
async def test_reasons_of_a_batch_name_what_was_measured_where_it_stands(working: House) -> None:
    await working.measure(
        NOW - timedelta(days=45), NOW, light=9.0, temp=19.0, zones=[working.place.nursery.id]
    )
    await working.run()
    line = await working.line()
    measured, grown = line["old"].reasons
    assert measured == (
        "Since 23 Aug in Channels: 19.8 mol m-2 d-1 and 22.0 °C measured over 524 of 524 hours."
    )
    assert grown.startswith("Heads grow 0.9")
    assert grown.endswith(", from 1 record.")
    assert line["table"].reasons[0].startswith("Since 31 Aug in Table: 9.0 mol m-2 d-1 and 19.0 °C")


async def test_nothing_new_changes_nothing(working: House) -> None:
    await working.run()
    before = await working.rows()
    assert await working.run() == Run(working.place.house.id, changed=False)
    working.now += timedelta(minutes=15)
    assert await working.run() == Run(working.place.house.id, changed=False)
    assert await working.rows() == before


async def test_a_process_that_starts_says_nothing_twice(working: House) -> None:
    await working.run()
    before = await working.rows()
    run = await working.another().house(working.place.house.id)
    assert run == Run(working.place.house.id, True, 0, 0, 0, 0)
    assert await working.rows() == before


async def test_processes_that_reforecast_at_once_keep_one_of_each(working: House, database_url: str) -> None:
    async with open_store(database_url) as other:
        twin = House(other, working.place)
        runs = await asyncio.gather(working.run(), twin.run())
    assert sorted(run.forecasts for run in runs) == [0, 3]
    assert sorted(run.advice for run in runs) == [0, 1]
    open_alerts = [await working.alerts(kind) for kind in job._ALERT_KINDS]
    assert all(len({a.subject for a in alerts}) == len(alerts) for alerts in open_alerts)


@ONE_DATABASE
async def test_asked_for_twice_at_once_it_is_computed_once(working: House) -> None:
    runs = await asyncio.gather(*(working.run() for _ in range(3)))
    assert sorted(run.changed for run in runs) == [False, False, True]


@ONE_DATABASE
async def test_a_leaf_count_moves_that_batch_and_hardly_others(working: House) -> None:
    await working.run()
    before = await working.line()
    await working.write_down(before["table"].id, "leaves_counted", at(14, 5), leaves=1.0)
    run = await working.run()
    assert run.changed
    after = await working.line()
    for event in ("window_open", "window_close", "transplant", "harvest"):
        assert getattr(after["table"], event).p50 > getattr(before["table"], event).p50
    assert after["table"].leaves == pytest.approx(1.0, abs=0.2)
    assert "1 true leaves were counted on 14 Sep." in after["table"].reasons
    assert any("does not fit" in reason for reason in after["table"].reasons)
    for code in ("old", "sown"):
        assert abs(after[code].harvest.p50 - before[code].harvest.p50) < timedelta(hours=12)  # type: ignore[union-attr]
    assert abs(after["sown"].window_open.p50 - before["sown"].window_open.p50) < timedelta(days=1)  # type: ignore[union-attr]


@ONE_DATABASE
async def test_a_clock_that_was_set_back_does_not_keep_old_forecasts_in_force(working: House) -> None:
    working.now += timedelta(days=10)
    await working.run()
    before = len(await working.forecasts())
    working.now = NOW
    await working.another().house(working.place.house.id)
    again = (await working.forecasts())[before:]
    assert again
    line = {b.id: b for b in (await working.line()).values()}
    assert [line[f.batch_id].harvest for f in again] == [span(f.points["harvest"]) for f in again]
    rows = await working.rows()
    await working.another().house(working.place.house.id)
    assert await working.rows() == rows


@ONE_DATABASE
async def test_late_readings_move_the_dates(working: House) -> None:
    await working.run()
    before = await working.line()
    warmer = [working.place.nursery.id, working.place.channels.id]
    await working.measure(
        NOW - timedelta(days=10), NOW - timedelta(days=5), temp=24.0, light=30.0, zones=warmer
    )
    run = await working.run()
    assert run.changed
    after = await working.line()
    for code in ("old", "table"):
        assert after[code].harvest.p50 < before[code].harvest.p50  # type: ignore[union-attr]
    assert after["table"].window_open.p50 < before["table"].window_open.p50  # type: ignore[union-attr]


async def test_a_batch_that_is_finished_gets_no_more_forecasts(working: House) -> None:
    await working.run()
    line = await working.line()
    await working.write_down(line["sown"].id, "discarded", NOW, plants=200, reason="wrong seed")
    run = await working.run()
    assert run.changed
    assert [f for f in (await working.forecasts())[3:] if f.batch_id == line["sown"].id] == []
    assert list(await working.line()) == ["old", "table"]


CHANGES = {
    "set points": lambda uow, p: change_house(uow, SYSTEM, p.house.id, {"temp_heat_day_c": 23.0}),
    "lamps": lambda uow, p: change_house(
        uow, SYSTEM, p.house.id, {"lamp_ppfd_umol": 150.0, "lamp_hours": 8.0}
    ),
    "spacing": lambda uow, p: change_zone(uow, SYSTEM, p.channels.id, {"plants_m2": 40.0}),
    "target": lambda uow, p: change_crop(uow, SYSTEM, p.crop.id, {"target_fresh_g": 90.0}),
}


@ONE_DATABASE
@pytest.mark.parametrize("change", CHANGES)
async def test_what_the_farm_changes_counts(working: House, change: str) -> None:
    await working.run()
    before = await working.line()
    async with working.store.write() as uow:
        await CHANGES[change](uow, working.place)
    run = await working.run()
    assert run.forecasts >= 1
    assert (await working.line())["sown"].harvest != before["sown"].harvest


@ONE_DATABASE
async def test_a_new_day_is_looked_at_anew(working: House) -> None:
    await working.run()
    working.now += timedelta(hours=17)  # past midnight in Amsterdam
    assert (await working.run()).changed


# --------------------------------------------------------------------------- little is known


async def test_an_empty_house_is_fine(house: House) -> None:
    run = await house.run()
    assert (run.changed, run.forecasts, run.advice) == (True, 0, 1)
    assert await house.run() == Run(house.place.house.id, changed=False)
    (advice,) = await house.advice()
    assert "only 0 of the last 168 hours" in advice.reasons[0]
    assert advice.seedings[0]["on"] == "2026-09-14"  # today, a Monday


@ONE_DATABASE
async def test_a_house_without_successions_is_fine(store: Store, place: Place) -> None:
    values = {**place.house_values, "code": "S1", "name": "South house"}
    async with store.write() as uow:
        other = await create_house(uow, SYSTEM, values)
    run = await Reforecaster(store, FixedClock(NOW), 10, 60).house(other.id)
    assert run == Run(other.id, True, 0, 0, 0, 0)


@ONE_DATABASE
async def test_there_must_be_such_a_house(store: Store) -> None:
    with pytest.raises(NotFound):
        await Reforecaster(store, FixedClock(NOW), 10, 60).house(999)


@ONE_DATABASE
async def test_a_succession_that_has_not_begun_is_advised_beside_one_that_has(working: House) -> None:
    async with working.store.write() as uow:
        values = {**working.place.succession_values, "name": "New", "seeding_weekdays": [2]}
        new = await create_succession(uow, SYSTEM, values)
    run = await working.run()
    assert (run.forecasts, run.advice) == (3, 2)
    mine = next(a for a in await working.advice() if a.succession_id == new.id)
    assert mine.seedings[0]["on"] == "2026-09-15"


@ONE_DATABASE
async def test_without_sensors_there_are_dates_in_wider_ranges(working: House) -> None:
    """The same batches, with what was measured of them and without."""
    working.members = 60  # enough for their spread to be told from luck
    await working.another().house(working.place.house.id)
    measured = await working.line()
    async with working.store.write() as uow:
        await uow.session.execute(delete(Hour))
    assert (await working.another().house(working.place.house.id)).forecasts == 3
    blind = await working.line()
    for code in ("old", "table"):
        in_order(blind[code])
        known, guessed = (b[code].window_open for b in (measured, blind))
        assert known.p90 - known.p10 < guessed.p90 - guessed.p10  # type: ignore[union-attr, operator]
    assert blind["table"].reasons == [
        "Light or temperature of 336 of 336 hours was not measured and is taken from the outlook."
    ]


@ONE_DATABASE
@pytest.mark.parametrize("missing", ["light", "temp"])
async def test_one_kind_of_sensor_alone_is_fine(house: House, missing: str) -> None:
    await house.measure(NOW - timedelta(days=20), NOW, **{missing: None})  # type: ignore[arg-type]
    await house.seed(date(2026, 8, 31), "table")
    assert (await house.run()).forecasts == 1
    line = await house.line()
    in_order(line["table"])
    (advice,) = await house.advice()
    assert "nan" not in " ".join([*line["table"].reasons, *advice.reasons])


# --------------------------------------------------------------------------- alerts


async def test_dim_light_is_told_until_light_comes_back(house: House) -> None:
    await house.measure(NOW - timedelta(days=45), NOW, light=1.0)
    batch_id = await house.seed(date(2026, 8, 3), "dim", note="x")
    await house.write_down(batch_id, "transplanted", at(-8), plants=160)
    await house.run()
    (batch,) = (await house.line()).values()
    assert batch.harvest is not None
    assert batch.harvest.p50 is None
    assert batch.not_within_days == 90
    (alert,) = await house.alerts(job.UNREACHED_ALERT)
    assert alert.subject == f"batch:{batch_id}"
    assert "dim" in alert.title
    assert "within 90 days" in alert.title
    house.now += timedelta(days=1)
    await house.measure(house.now - timedelta(days=1), house.now, light=1.0)
    await house.run()
    assert [a.id for a in await house.alerts(job.UNREACHED_ALERT)] == [alert.id]
    # The sensor had been covered: the hours are corrected.
    await house.measure(house.now - timedelta(days=57), house.now, light=16.0)
    run = await house.run()
    assert run.alerts_closed >= 1
    (closed,) = await house.alerts(job.UNREACHED_ALERT)
    assert (closed.id, closed.closed_at) == (alert.id, house.now)
    (batch,) = (await house.line()).values()
    assert batch.harvest is not None
    assert batch.harvest.p50 is not None


async def test_a_batch_with_the_longest_code_may_be_alerted(house: House) -> None:
    await house.measure(NOW - timedelta(days=45), NOW, light=1.0)
    code = "x" * 60
    await house.seed(date(2026, 8, 3), code)
    await house.run()
    (alert,) = await house.alerts(job.UNREACHED_ALERT)
    assert code in alert.title


async def test_a_silent_zone_is_told_once(working: House) -> None:
    await working.run()
    assert await working.alerts(job.SILENT_ALERT) == []
    # The nursery goes on, the channels do not.
    working.now += timedelta(hours=8)
    await working.measure(NOW, working.now, zones=[working.place.nursery.id])
    await working.run()
    (alert,) = await working.alerts(job.SILENT_ALERT)
    assert (alert.subject, alert.opened_at) == (f"zone:{working.place.channels.id}", working.now)
    assert alert.title == "Channels: no measured light or temperature since 14 Sep"
    assert alert.evidence == {"lastHour": "2026-09-14T05:00:00+00:00"}
    working.now += timedelta(hours=1)
    await working.measure(working.now - timedelta(hours=1), working.now, zones=[working.place.nursery.id])
    run = await working.run()
    assert run.changed
    (still,) = await working.alerts(job.SILENT_ALERT)
    assert (still.id, still.updated_at, still.closed_at) == (alert.id, alert.opened_at, None)
    await working.measure(NOW, working.now)
    await working.run()
    (closed,) = await working.alerts(job.SILENT_ALERT)
    assert closed.closed_at == working.now


@ONE_DATABASE
async def test_a_house_that_falls_silent_as_a_whole_is_told_the_same_day(working: House) -> None:
    await working.run()
    working.now += timedelta(hours=job.SILENT_HOURS)
    assert not (await working.run()).changed
    working.now += timedelta(hours=1.5)  # still the same day, and nothing has arrived
    assert (await working.run()).changed
    told = await working.alerts(job.SILENT_ALERT)
    assert {a.subject for a in told} == {
        f"zone:{working.place.nursery.id}",
        f"zone:{working.place.channels.id}",
    }
    assert not (await working.run()).changed


@ONE_DATABASE
async def test_a_zone_that_was_never_measured_is_not_silent(house: House) -> None:
    house.now += timedelta(days=2)
    await house.run()
    assert await house.alerts(job.SILENT_ALERT) == []


# --------------------------------------------------------------------------- advice


async def test_advice_is_kept_only_when_it_says_something_else(working: House) -> None:
    await working.run()
    line = await working.line()
    # A new code of a batch that advice does not speak of is no news to the succession.
    async with working.store.write() as uow:
        await change_batch(uow, SYSTEM, line["old"].id, {"code": "older"})
    run = await working.another().house(working.place.house.id)
    assert (run.changed, run.advice) == (True, 0)
    async with working.store.write() as uow:
        await change_succession(uow, SYSTEM, working.place.succession.id, {"seeding_weekdays": [2]})
    run = await working.run()
    assert (run.forecasts, run.advice) == (0, 1)
    first, second = await working.advice()
    assert [s["on"] for s in first.seedings] != [s["on"] for s in second.seedings]
    assert all(date.fromisoformat(s["on"]).isoweekday() == 2 for s in second.seedings)


async def test_advice_in_force_makes_it_easier_to_stay_with_it(working: House) -> None:
    """With the same figures the decision depends on what was advised before: it does not flap."""

    async def decide(previous: str | None, interval: float) -> Advice:
        async with working.store.write() as uow:
            await uow.session.execute(delete(Advice))
            await change_succession(
                uow, SYSTEM, working.place.succession.id, {"seeding_interval_days": interval}
            )
            if previous is not None:
                uow.session.add(
                    Advice(
                        succession_id=working.place.succession.id,
                        made_at=NOW - timedelta(days=1),
                        input_key="",
                        decision=previous,
                        binding="continuity",
                        interval_days=interval,
                        advised_interval_days=interval,
                        cells_per_seeding=200,
                        from_on=date(2026, 9, 14),
                        probability=0.9,
                        seedings=[],
                        outcome={},
                        reasons=[],
                    )
                )
        await working.another().house(working.place.house.id)
        return (await working.advice())[-1]

    continuity = (await decide(None, 7.0)).outcome["continuityIntervalDays"]
    # Off by 0.4 days a week: less than a change asks for, more than keeping one does.
    interval = continuity / (1.0 - 0.4 / 7.0)
    assert (await decide(None, interval)).decision == "hold"
    assert (await decide("hold", interval)).decision == "hold"
    assert (await decide("lengthen", interval)).decision == "hold"
    kept = await decide("shorten", interval)
    assert kept.decision == "shorten"
    assert kept.advised_interval_days == pytest.approx(continuity, abs=0.15)
    (alert,) = [a for a in await working.alerts(job.seeding.INTERVAL_ALERT) if a.closed_at is None]
    assert alert.subject == f"succession:{working.place.succession.id}"


@ONE_DATABASE
async def test_batches_of_an_ended_succession_still_hold_their_sites(working: House) -> None:
    async with working.store.write() as uow:
        values = {**working.place.succession_values, "name": "Next"}
        following = await create_succession(uow, SYSTEM, values)
        await change_zone(uow, SYSTEM, working.place.channels.id, {"capacity": 700})
    batches = {b.code: b for b in (await working.line()).values()}
    for n in range(3):
        late = await working.seed(date(2026, 8, 24), f"late-{n}")
        await working.write_down(late, "transplanted", at(13), plants=200)
    await working.run()
    async with working.store.write() as uow:
        await change_succession(uow, SYSTEM, working.place.succession.id, {"active": False})
    await working.run()
    line = await working.line()
    assert set(batches) < set(line)
    assert all(b.harvest is not None for b in line.values())
    newest = [a for a in await working.advice() if a.succession_id == following.id][-1]
    # 600 + 160 plants stand or are on their way to 700 sites before the new succession seeds any.
    assert newest.outcome["sitesNeeded"] > 700
    assert newest.binding == "sites"
    # Nobody is advised on what has ended.
    alerts = [
        a for kind in job.seeding.ALERT_KINDS for a in await working.alerts(kind) if a.closed_at is None
    ]
    assert {a.subject for a in alerts} == {f"succession:{following.id}"}


@ONE_DATABASE
async def test_a_seeding_that_is_due_stays_on_the_work_list_until_it_is_recorded(
    store: Store, place: Place
) -> None:
    house = House(store, place, now=datetime(2026, 9, 14, 5, tzinfo=UTC))  # 07:00 on a Monday
    every_day = {"seeding_weekdays": [1, 2, 3, 4, 5, 6, 7]}
    async with store.write() as uow:
        await change_succession(uow, SYSTEM, place.succession.id, every_day)
    for days in (28, 21, 14, 7):
        await house.seed((house.now - timedelta(days=days)).date(), f"b{days}")

    async def due() -> date:
        await house.run()
        async with store.read() as uow:
            left = Task.kind == "seed", Task.done_at.is_(None)
            first = await uow.session.scalar(select(func.min(Task.due_on)).where(*left))
        assert first is not None
        return first

    assert await due() == date(2026, 9, 14)
    for hours in (2, 14):  # 09:00, 21:00
        house.now = datetime(2026, 9, 14, 5, tzinfo=UTC) + timedelta(hours=hours)
        assert await due() == date(2026, 9, 14), hours
    house.now = datetime(2026, 9, 15, 8, tzinfo=UTC)
    assert await due() == date(2026, 9, 15)
    await house.seed(date(2026, 9, 15), "made")
    assert await due() >= date(2026, 9, 18)


# --------------------------------------------------------------------------- all houses


@ONE_DATABASE
async def test_a_house_that_fails_does_not_stop_the_others(
    working: House, other_place: Place, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    conclude = job.conclude

    def broken(given: job.HouseInput, key: str) -> job.Conclusions:
        if given.house.id == working.place.house.id:
            raise ArithmeticError("no such number")
        return conclude(given, key)

    monkeypatch.setattr(job, "conclude", broken)
    runs = await working.reforecaster.all_houses()
    assert [(run.house_id, run.changed) for run in runs] == [(other_place.house.id, True)]
    assert f"re-forecast of house {working.place.house.id} failed" in caplog.text
    monkeypatch.undo()
    runs = await working.reforecaster.all_houses()
    assert [run.changed for run in runs] == [True, False]  # it is tried again; the other has nothing new


@ONE_DATABASE
async def test_told_to_stop_it_begins_no_other_house(working: House, other_place: Place) -> None:
    stop = asyncio.Event()
    stop.set()
    assert await working.reforecaster.all_houses(stop) == []
    assert await working.rows() == (0, 0, 0)
    assert len(await working.reforecaster.all_houses(asyncio.Event())) == 2


@ONE_DATABASE
async def test_several_houses_are_computed_at_once_in_processes_as_in_a_thread(
    working: House, other_place: Place
) -> None:
    house_id = working.place.house.id
    async with working.store.read() as uow:
        given = await job.read_house(uow, working.clock, house_id, working.members, working.horizon_days)
    expected = job.conclude(job.learn(given), given.key())
    assert expected.forecasts

    together, most = set[int](), 0

    async def compute(work: Callable[..., Any], given: job.HouseInput, key: str) -> Any:
        nonlocal most
        together.add(given.house.id)
        most = max(most, len(together))
        concluded = await workers.run(work, given, key)
        together.remove(given.house.id)
        return concluded

    async with running_workers(2) as workers:
        reforecaster = Reforecaster(
            working.store, working.clock, working.members, working.horizon_days, compute, workers.count
        )
        runs = await reforecaster.all_houses()
    assert sorted(run.house_id for run in runs) == sorted([house_id, other_place.house.id])
    assert most == 2
    async with working.store.read() as uow:
        kept = {f.batch_id: f for f in await uow.session.scalars(select(Forecast))}
    for forecast in expected.forecasts:
        same = kept[forecast.batch_id]
        assert (same.input_key, same.points, same.state) == (given.key(), forecast.points, forecast.state)


# --------------------------------------------------------------------------- what changes a house


async def change(house: House, **values: Any) -> None:
    """Record a house event."""
    async with house.store.write() as uow:
        await create_event(uow, SYSTEM, {"house_id": house.place.house.id, **values})


@ONE_DATABASE
async def test_shade_paint_to_come_delays_and_called_off_does_not(working: House) -> None:
    await working.run()
    before = await working.line()
    await change(working, kind="shade", starts_on=date(2026, 9, 20), light_factor=0.8)
    await working.run()
    painted = await working.line()
    assert painted["sown"].harvest.p50 > before["sown"].harvest.p50 + timedelta(days=2)
    async with working.store.write() as uow:
        await change_event(uow, SYSTEM, 1, {"active": False})
    await working.run()
    assert (await working.line())["sown"].harvest == before["sown"].harvest


@ONE_DATABASE
async def test_days_measured_under_paint_promise_more_light_once_it_is_gone(working: House) -> None:
    await working.run()
    before = await working.line()
    await change(
        working, kind="shade", starts_on=date(2026, 7, 1), ends_on=date(2026, 9, 13), light_factor=0.6
    )
    await working.run()
    after = await working.line()
    assert after["sown"].harvest.p50 < before["sown"].harvest.p50 - timedelta(days=3)


@ONE_DATABASE
async def test_lamps_and_set_points_to_come_count(working: House) -> None:
    await working.run()
    plain = (await working.line())["sown"].harvest.p50
    await change(
        working, kind="lamps", starts_on=date(2026, 9, 15), lamp_ppfd_umol=200, lamp_start_h=4, lamp_hours=16
    )
    await working.run()
    lit = (await working.line())["sown"].harvest.p50
    assert lit < plain - timedelta(days=2)
    await change(
        working, kind="set_points", starts_on=date(2026, 9, 15), temp_heat_day_c=24, temp_heat_night_c=22
    )
    await working.run()
    assert (await working.line())["sown"].window_open.p50 != plain


@ONE_DATABASE
async def test_nothing_is_advised_for_closed_days(working: House) -> None:
    await working.run()
    first = date.fromisoformat((await working.advice())[-1].seedings[0]["on"])
    await change(working, kind="closed", starts_on=first, ends_on=first)
    await working.run()
    days = {date.fromisoformat(s["on"]) for s in (await working.advice())[-1].seedings}
    assert days
    assert first not in days


@ONE_DATABASE
async def test_what_is_ordered_is_what_is_seeded_for(working: House) -> None:
    await working.run()
    assert "headsOrdered" not in (await working.advice())[-1].outcome
    async with working.store.write() as uow:
        crop = working.place.crop
        wish = {"farm_id": crop.farm_id, "crop_id": crop.id, "buyer": "Market", "heads": 60, "weekdays": [4]}
        await create_order(uow, SYSTEM, {**wish, "starts_on": date(2026, 9, 1)})
    await working.run()
    advice = (await working.advice())[-1]
    assert advice.outcome["headsOrdered"] >= 60
    assert advice.outcome["headsShortWith"] < advice.outcome["headsOrdered"]
    assert advice.seedings
    assert "Of the orders that seedings to come can serve" in advice.reasons[1]
    async with working.store.write() as uow:
        await create_order(uow, SYSTEM, {**wish, "buyer": "School kitchen", "starts_on": date(2026, 9, 1)})
    await working.run()
    assert (await working.advice())[-1].outcome["headsOrdered"] > advice.outcome["headsOrdered"]


@ONE_DATABASE
async def test_a_cleaning_of_all_channels_makes_sites_bind(working: House) -> None:
    await working.run()
    assert (await working.advice())[-1].binding == "continuity"
    await change(
        working,
        kind="cleaning",
        starts_on=date(2026, 10, 1),
        ends_on=date(2026, 10, 31),
        zone_id=working.place.channels.id,
    )
    await working.run()
    advice = (await working.advice())[-1]
    assert advice.binding == "sites"
    assert advice.outcome["sites"] == 0


@ONE_DATABASE
async def test_seedings_out_of_season_are_left_out_and_it_is_said(working: House) -> None:
    async with working.store.write() as uow:
        await change_cultivar(uow, SYSTEM, working.place.cultivar.id, {"season_months": [3, 9]})
    await working.run()
    advice = (await working.advice())[-1]
    assert advice.seedings
    assert {date.fromisoformat(s["on"]).month for s in advice.seedings} <= {9, 10}  # rounded from September
    assert "March, September only" in advice.reasons[-1]


@ONE_DATABASE
async def test_a_pushed_forecast_counts_and_a_stale_one_changes_nothing(working: House) -> None:
    await working.run()
    before = await working.line()
    rows = [
        {
            "house_id": working.place.house.id,
            "at": NOW + timedelta(hours=h),
            "issued_at": NOW - timedelta(days=11),
            "global_w_m2": 30.0,
            "temp_out_c": 2.0,
        }
        for h in range(240)
    ]
    async with working.store.write() as uow:
        await save_weather(uow, rows)
    run = await working.run()
    assert (run.forecasts, run.advice) == (0, 0)
    async with working.store.write() as uow:
        await save_weather(uow, [{**row, "issued_at": NOW} for row in rows])
    await working.run()
    assert (await working.line())["table"].harvest.p50 > before["table"].harvest.p50


@ONE_DATABASE
async def test_a_forecast_names_the_transmission_and_how_it_is_known(working: House) -> None:
    await working.run()
    named = (await working.forecasts())[-1].parameters["transmission"]
    assert named["how"] == "clear_sky"
    assert named["days"] > 20
    assert 0.4 < named["value"] < 1.0
