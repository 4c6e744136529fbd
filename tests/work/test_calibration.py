"""Forecasts learn from what was counted, weighed and cut in the houses of a farm."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select

from service.agronomy import forecast as science
from service.agronomy.outlook import Outlook
from service.clock import FixedClock
from service.records.conditions import save_hours
from service.records.store import Store
from service.records.tables import Batch, BatchEvidence, Entry, Forecast, House, Zone
from service.work import calibration as job
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch
from service.work.calibration import Cell, house_calibration
from service.work.errors import Impossible
from service.work.ledger import derive
from service.work.places import change_house, create_house, create_zone
from service.work.profiles import profile
from service.work.programme import create_succession
from service.work.reforecast import Reforecaster, conclude, read_house
from service.work.times import epoch_hours, moment_of
from tests.work.conftest import Place, ledger

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)
SLOW = 0.8  # of what the crop profile says
LIGHT, TEMP = 16.0, 21.0  # mol m-2 d-1 and °C, every day
LIT = range(6, 18)
DENSITY = (600.0, 25.0)
CROP = profile("butterhead")
FINISHED = [NOW - timedelta(days=days, hours=-2) for days in (94, 87, 80, 73)]
LIVE = NOW - timedelta(days=10, hours=-2)
ONE_DATABASE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@dataclass
class Grown:
    """A batch as it really grew: when it was ready, and its leaves and grams a head at moments."""

    seeded: datetime
    transplant: datetime
    window_open: datetime
    harvest: datetime

    def leaves(self, at: datetime) -> float:
        """Return true leaves."""
        return float(_grow(self.seeded, at, self.transplant).leaves_now[0, 0])

    def fresh_g(self, at: datetime) -> float:
        """Return grams a head."""
        return float(_grow(self.seeded, at, self.transplant).fresh_g_now[0, 0])


def _grow(seeded: datetime, now: datetime, transplant: datetime | None = None) -> science.Dates:
    first = int(epoch_hours(seeded)) - 48
    hours = 24 * 150
    hour_of_day = (first + np.arange(hours)) % 24
    light = np.where((hour_of_day >= LIT.start) & (hour_of_day < LIT.stop), LIGHT / len(LIT), 0.0)[None, :]
    zone = Outlook(first, np.full(light.shape, TEMP), light, np.ones(hours, dtype=bool))
    moved = np.nan if transplant is None else epoch_hours(transplant)
    known = (epoch_hours(seeded), np.nan, np.nan, np.nan, moved, CROP.target_dry_g, *DENSITY)
    batch = science.Batches(*(np.array([v]) for v in known))
    slow = science.Multipliers(np.array([SLOW]), np.array([SLOW]), np.zeros(1))
    return science.forecast(CROP, zone, zone, 400.0, batch, slow, epoch_hours(now))


def grown(seeded: datetime) -> Grown:
    """Return how a batch really grows in a house whose crop is slow."""
    first = _grow(seeded, seeded)
    transplant = moment_of(float(first.transplant[0, 0]))
    harvest = _grow(seeded, seeded, transplant).harvest[0, 0]
    return Grown(seeded, transplant, moment_of(float(first.window_open[0, 0])), moment_of(float(harvest)))


@dataclass
class Farm:
    """A farm, someone who writes down what happens, and someone who re-forecasts it."""

    store: Store
    place: Place
    reforecaster: Reforecaster
    clock: FixedClock

    async def seed(self, seeded: datetime, succession_id: int | None = None) -> int:
        """Seed a batch and return its id."""
        values = {"succession_id": succession_id or self.place.succession.id, "seeded_at": seeded}
        async with self.store.write() as uow:
            return (await create_batch(uow, self.clock, SYSTEM, values)).batch.id

    async def write_down(self, batch_id: int, kind: str, at: datetime, **more: Any) -> int:
        """Append to a batch's ledger and return the id of the entry."""
        values = {"kind": kind, "happened_at": at, **more}
        async with self.store.write() as uow:
            return (await append_entry(uow, self.clock, SYSTEM, batch_id, values))[0].id

    async def finish(
        self, seeded: datetime, *, count: bool = True, weigh: bool = True, readiness: str | None = None
    ) -> tuple[int, int | None]:
        """Have a batch that grew slowly, counted and weighed; return its id and that of the count."""
        really = grown(seeded)
        batch_id = await self.seed(seeded)
        entry_id = None
        if count:
            at = really.window_open
            entry_id = await self.write_down(batch_id, "leaves_counted", at, leaves=really.leaves(at))
        await self.write_down(batch_id, "transplanted", really.transplant, plants=160)
        await self.write_down(batch_id, "discarded", really.transplant, plants=40, reason="not needed")
        more = {"weight_g": really.fresh_g(really.harvest)} if weigh else {}
        if readiness:
            more["readiness"] = readiness
        await self.write_down(batch_id, "harvested", really.harvest, plants=160, **more)
        return batch_id, entry_id

    async def forecast(self, batch_id: int, house_id: int | None = None) -> Forecast:
        """Re-forecast a house and return the newest forecast of a batch."""
        await self.reforecaster.house(house_id or self.place.house.id)
        async with self.store.read() as uow:
            rows = await uow.session.scalars(
                select(Forecast).where(Forecast.batch_id == batch_id).order_by(Forecast.id)
            )
            return list(rows)[-1]

    async def knowing(self, batch_id: int) -> Forecast:
        """Return what somebody who knows how slow the crop is would forecast, from the same outlook."""
        async with self.store.read() as uow:
            given = await read_house(uow, self.clock, self.place.house.id, 40, 120)
        succession = self.place.succession
        cell = Cell(succession.house_id, succession.crop_id, succession.cultivar_id)
        sure = job.Learnt({cell: job.Belief(0.12, np.log(SLOW), 1e-9, 1e-9, 0.0, 0)}, {}, [])
        usual = job.Learnt({cell: job.Belief(0.15, 0.0, 1e-9, 1e-9, 0.0, 0)}, {}, [])
        concluded = conclude(replace(given, calibration=job.Calibration(sure, sure, usual)), "")
        (found,) = [f for f in concluded.forecasts if f.batch_id == batch_id]
        return found

    async def evidence(self) -> list[BatchEvidence]:
        """Return what is kept."""
        async with self.store.read() as uow:
            return list(await uow.session.scalars(select(BatchEvidence).order_by(BatchEvidence.batch_id)))

    async def believed(self, house_id: int | None = None) -> job.CellCalibration:
        """Return what is believed of the crop in a house."""
        async with self.store.read() as uow:
            (found,) = await house_calibration(uow, self.clock, SYSTEM, house_id or self.place.house.id)
        return found


async def measure(store: Store, zones: list[int]) -> None:
    """Have the same day measured again and again."""
    first = FINISHED[0].replace(hour=0) - timedelta(days=2)
    times = [first + timedelta(hours=h) for h in range(round((NOW - first) / timedelta(hours=1)))]
    rows = [
        {
            "zone_id": zone_id,
            "at": at,
            "temp_mean_c": TEMP,
            "temp_min_c": TEMP,
            "temp_max_c": TEMP,
            "temp_coverage": 1.0,
            "light_mol": LIGHT / len(LIT) if at.hour in LIT else 0.0,
            "light_coverage": 1.0,
        }
        for zone_id in zones
        for at in times
    ]
    async with store.write() as uow:
        await save_hours(uow, rows)


@pytest.fixture
async def farm(store: Store, place: Place, clock: FixedClock) -> Farm:
    """Have a farm whose house was measured for a hundred days and grows nothing yet."""
    async with store.write() as uow:
        await change_house(uow, SYSTEM, place.house.id, {"latitude_deg": 36.0})
        for zone, density in zip((place.nursery, place.channels), DENSITY, strict=True):
            (await uow.session.get_one(Zone, zone.id)).plants_m2 = density
    await measure(store, [place.nursery.id, place.channels.id])
    return Farm(store, place, Reforecaster(store, clock, members=40, horizon_days=120), clock)


def off_days(found: Forecast, event: str, truth: datetime) -> float:
    """Return how far the median of a date is off."""
    return abs(datetime.fromisoformat(found.points[event]["p50"]) - truth) / timedelta(days=1)


def width_days(found: Forecast, event: str) -> float:
    """Return how far 10 and 90 % lie apart."""
    ends = (datetime.fromisoformat(found.points[event][p]) for p in ("p10", "p90"))
    return -float(np.subtract(*ends) / timedelta(days=1))


async def test_after_four_finished_batches_forecasts_of_the_next_are_nearer(farm: Farm) -> None:
    live = await farm.seed(LIVE)
    before = await farm.forecast(live)
    assert before.parameters["leafRate"] == {"mean": 1.0, "sd": 0.139, "evidence": 0}
    for seeded in FINISHED:
        await farm.finish(seeded)
    after = await farm.forecast(live)
    knowing = await farm.knowing(live)
    for event in ("window_open", "harvest"):
        at = datetime.fromisoformat(knowing.points[event]["p50"])
        assert off_days(after, event, at) < 0.5 * off_days(before, event, at), event
    assert width_days(after, "window_open") < width_days(before, "window_open")
    for name in ("leafRate", "growth"):
        named = after.parameters[name]
        assert named["mean"] == pytest.approx(SLOW, abs=0.07)
        assert named["evidence"] == 4
        assert named["sd"] < before.parameters[name]["sd"]
    assert any(r.startswith("Leaves appear 0.8") and r.endswith("from 4 records.") for r in after.reasons)


@ONE_DATABASE
async def test_one_wrong_count_does_not_throw_it_and_its_correction_takes_it_back(farm: Farm) -> None:
    live = await farm.seed(LIVE)
    counts = [await farm.finish(seeded) for seeded in FINISHED]
    right = await farm.forecast(live)
    batch_id, entry_id = counts[1]
    at = grown(FINISHED[1]).window_open
    wrong_id = await farm.write_down(batch_id, "leaves_counted", at, leaves=12.0, supersedes_id=entry_id)
    wrong = await farm.forecast(live)
    moved = abs(wrong.parameters["leafRate"]["mean"] - right.parameters["leafRate"]["mean"])
    assert 0.0 < moved < 0.04
    (doubted,) = [p for p in (await farm.believed()).evidence if p.said["entryId"] == wrong_id]
    assert doubted.trust < 0.1
    leaves = grown(FINISHED[1]).leaves(at)
    await farm.write_down(batch_id, "leaves_counted", at, leaves=leaves, supersedes_id=wrong_id)
    again = await farm.forecast(live)
    assert (again.points, again.parameters) == (right.points, right.parameters)


@ONE_DATABASE
async def test_a_wrong_count_of_the_batch_itself_widens_and_is_named(farm: Farm) -> None:
    live = await farm.seed(LIVE)
    for seeded in FINISHED:
        await farm.finish(seeded)
    at = NOW - timedelta(hours=1)
    really = grown(LIVE).leaves(at)
    entry_id = await farm.write_down(live, "leaves_counted", at, leaves=really)
    right = await farm.forecast(live)
    await farm.write_down(live, "leaves_counted", at, leaves=really + 5.0, supersedes_id=entry_id)
    wrong = await farm.forecast(live)
    assert wrong.state["leaves"]["p50"] == pytest.approx(really + 5.0, abs=0.3)
    assert wrong.state["leaves"]["p10"] < really + 1.5
    assert not any("does not fit" in reason for reason in right.reasons)
    assert any("does not fit" in reason for reason in wrong.reasons)
    assert wrong.parameters["leafRate"]["mean"] == pytest.approx(
        right.parameters["leafRate"]["mean"], abs=0.08
    )


@ONE_DATABASE
async def test_an_own_count_informs_the_rate_of_its_batch_most(farm: Farm) -> None:
    live, other = await farm.seed(LIVE), await farm.seed(LIVE)
    at = NOW - timedelta(hours=1)
    await farm.write_down(live, "leaves_counted", at, leaves=grown(LIVE).leaves(at))
    counted, uncounted = await farm.forecast(live), await farm.forecast(other)
    rates = [f.parameters["leafRate"] for f in (counted, uncounted)]
    assert rates[0]["mean"] < rates[1]["mean"] < 1.0
    assert rates[0]["sd"] < rates[1]["sd"]


@pytest.mark.parametrize(
    ("readiness", "least", "most"), [("early", 0.55, 0.95), ("ready", 0.75, 0.92), (None, 0.75, 0.97)]
)
@ONE_DATABASE
async def test_cuts_without_weights_tell_when_heads_were_ready(
    farm: Farm, readiness: str | None, least: float, most: float
) -> None:
    for seeded in FINISHED:
        await farm.finish(seeded, count=False, weigh=False, readiness=readiness)
    live = await farm.seed(LIVE)
    await farm.forecast(live)
    found = await farm.believed()
    assert {p.said["kind"] for p in found.evidence} == {"cut"}
    assert least < np.exp(found.growth.mean) < most
    assert found.growth.sd < found.growth.prior_sd
    assert (found.leaf.mean, found.leaf.evidence) == (0.0, 0)


@ONE_DATABASE
async def test_heads_that_were_weighed_and_stay_tell_when_they_will_be_ready(farm: Farm) -> None:
    seeded = NOW - timedelta(days=38, hours=-2)
    really, batch_id = grown(seeded), await farm.seed(seeded)
    await farm.write_down(batch_id, "transplanted", really.transplant, plants=160)
    await farm.write_down(batch_id, "discarded", really.transplant, plants=40, reason="not needed")
    before = await farm.forecast(batch_id)
    at = NOW - timedelta(hours=20)
    await farm.write_down(batch_id, "weighed", at, plants=10, weight_g=really.fresh_g(at))
    after = await farm.forecast(batch_id)
    knows = datetime.fromisoformat((await farm.knowing(batch_id)).points["harvest"]["p50"])
    assert off_days(after, "harvest", knows) < 0.5 * off_days(before, "harvest", knows)
    assert width_days(after, "harvest") < 0.7 * width_days(before, "harvest")
    assert any(said.startswith("Heads weighed ") for said in after.reasons)
    (kept,) = await farm.evidence()
    assert [(p["parameter"], p["kind"]) for p in kept.pieces] == [("growth", "weighed")]


async def test_another_house_of_the_farm_profits_partly(farm: Farm) -> None:
    values = {**farm.place.house_values, "code": "S1", "name": "South house", "latitude_deg": 36.0}
    async with farm.store.write() as uow:
        other: House = await create_house(uow, SYSTEM, values)
        zones = [
            await create_zone(
                uow,
                SYSTEM,
                {
                    "house_id": other.id,
                    "name": kind,
                    "code": kind,
                    "kind": kind,
                    "capacity": 4000,
                    "plants_m2": density,
                },
            )
            for kind, density in zip(("nursery", "channels"), DENSITY, strict=True)
        ]
        succession = await create_succession(
            uow,
            SYSTEM,
            {
                **farm.place.succession_values,
                "house_id": other.id,
                "nursery_zone_id": zones[0].id,
                "channels_zone_id": zones[1].id,
            },
        )
    live = await farm.seed(LIVE, succession.id)
    before = await farm.forecast(live, other.id)
    for seeded in FINISHED:
        await farm.finish(seeded)
    await farm.reforecaster.house(farm.place.house.id)
    after = await farm.forecast(live, other.id)
    own = (await farm.believed()).growth
    there = (await farm.believed(other.id)).growth
    assert own.mean < 0.55 * np.log(SLOW)  # of batches of another season
    assert 0.3 * own.mean > there.mean > 0.75 * own.mean
    assert own.sd < there.sd < there.prior_sd
    assert (there.evidence, there.batches) == (0, 0.0)
    assert after.points["harvest"]["p50"] > before.points["harvest"]["p50"]


@ONE_DATABASE
async def test_counting_emergence_days_late_teaches_no_fast_leaves(farm: Farm) -> None:
    """A grower who looks once a week finds seedlings that came up days ago."""
    finished = {(await farm.finish(seeded))[0]: seeded for seeded in FINISHED}
    live = await farm.seed(LIVE)
    uncounted = (await farm.forecast(live)).parameters
    for batch_id, seeded in finished.items():
        await farm.write_down(batch_id, "emergence_counted", seeded + timedelta(days=7), plants=200)
    named = (await farm.forecast(live)).parameters
    assert named["emergence"]["evidence"] == 4
    for name in ("leafRate", "growth", "emergence"):
        assert named[name]["mean"] == pytest.approx(uncounted[name]["mean"], abs=0.02), name


@ONE_DATABASE
async def test_looking_for_emergence_every_day_teaches_its_rate(farm: Farm) -> None:
    for seeded in FINISHED:
        batch_id, _ = await farm.finish(seeded)
        for days, plants in ((5, 200), (4, 20), (3, 0)):
            await farm.write_down(batch_id, "emergence_counted", seeded + timedelta(days=days), plants=plants)
    live = await farm.seed(LIVE)
    named = (await farm.forecast(live)).parameters["emergence"]
    assert named["mean"] < 0.8  # the profile says 2.7 days at 21 °C
    assert (named["evidence"], named["sd"] < 0.15) == (4, True)


@ONE_DATABASE
async def test_evidence_is_computed_once_and_again_when_its_records_change(
    farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = await farm.seed(LIVE)
    computed: list[int] = []
    real = job._pieces

    def counting(*args: Any) -> Any:
        computed.append(len(args[-1]))
        return real(*args)

    monkeypatch.setattr(job, "_pieces", counting)
    counts = [await farm.finish(seeded) for seeded in FINISHED]
    await farm.forecast(live)
    assert computed == [4]
    kept = await farm.evidence()
    assert [row.batch_id for row in kept] == [batch_id for batch_id, _ in counts]
    assert all(len(row.pieces) == 2 for row in kept)

    computed.clear()
    await farm.write_down(live, "leaves_counted", NOW, leaves=2.0)
    await farm.forecast(live)
    assert computed == [1]  # of the batch that was counted, and no other

    computed.clear()
    await farm.write_down(counts[0][0], "leaves_counted", FINISHED[0] + timedelta(days=12), leaves=2.0)
    await farm.forecast(live)
    assert computed == [1]

    # An hour measured late, just before the last batch was cut: the first two were cut long before.
    computed.clear()
    hour = {
        "zone_id": farm.place.channels.id,
        "at": (grown(FINISHED[3]).harvest - timedelta(days=2)).replace(
            hour=12, minute=0, second=0, microsecond=0
        ),
        **{f"temp_{name}_c": 26.0 for name in ("mean", "min", "max")},
        "temp_coverage": 1.0,
        "light_mol": 1.5,
        "light_coverage": 1.0,
    }
    async with farm.store.write() as uow:
        await save_hours(uow, [hour])
    await farm.forecast(live)
    assert computed == [2]  # heads of the third may have become ready within that week

    # A restart finds what was kept.
    computed.clear()
    farm.reforecaster = Reforecaster(farm.store, farm.clock, members=40, horizon_days=120)
    await farm.forecast(live)
    assert computed == []


@ONE_DATABASE
async def test_a_count_that_is_taken_back_leaves_no_evidence(farm: Farm) -> None:
    live = await farm.seed(LIVE)
    entry_id = await farm.write_down(live, "leaves_counted", NOW, leaves=2.0)
    await farm.forecast(live)
    assert (await farm.believed()).leaf.evidence == 1
    await farm.write_down(live, "leaves_counted", NOW, supersedes_id=entry_id, void=True)
    named = (await farm.forecast(live)).parameters["leafRate"]
    assert (named["mean"], named["evidence"]) == (1.0, 0)
    assert [row.pieces for row in await farm.evidence()] == [[]]
    assert (await farm.believed()).evidence == []


@ONE_DATABASE
async def test_only_what_was_recorded_by_then_is_read(farm: Farm) -> None:
    batch_id, _ = await farm.finish(FINISHED[0])
    async with farm.store.write() as uow:
        entry = (
            await uow.session.scalars(
                select(Entry).where(Entry.batch_id == batch_id, Entry.kind == "leaves_counted")
            )
        ).one()
        entry.recorded_at = NOW + timedelta(hours=2)
    for clock, kinds in (
        (farm.clock, {"seeded", "transplanted", "discarded", "harvested"}),
        (
            FixedClock(NOW + timedelta(hours=3)),
            {"seeded", "leaves_counted", "transplanted", "discarded", "harvested"},
        ),
    ):
        async with farm.store.read() as uow:
            given = await read_house(uow, clock, farm.place.house.id, 10, 60)
        (past,) = given.past.batches
        assert {fact.kind for fact in past.facts} == kinds


@ONE_DATABASE
async def test_a_house_that_was_hardly_measured_learns_less(farm: Farm) -> None:
    await farm.finish(FINISHED[0])
    await farm.finish(FINISHED[0] - timedelta(days=60))
    await farm.reforecaster.house(farm.place.house.id)
    measured, not_measured = (row.pieces for row in await farm.evidence())
    assert [p["measured"] for p in measured] == pytest.approx([1.0, 1.0], abs=0.01)
    for piece, sure in zip(not_measured, measured, strict=True):
        assert piece["measured"] < 0.8
        assert piece["sd"] > 1.5 * sure["sd"]


async def test_readiness_belongs_to_a_harvest(farm: Farm) -> None:
    live = await farm.seed(LIVE)
    with pytest.raises(Impossible, match="only what was harvested"):
        await farm.write_down(live, "leaves_counted", NOW, leaves=2.0, readiness="ready")
    with pytest.raises(Impossible, match="one of"):
        await farm.write_down(live, "harvested", NOW, plants=1, readiness="ripe")


@pytest.mark.parametrize("name", ["butterhead", "coriander", "parsley", "watercress"])
@pytest.mark.parametrize("regrows", [True, False])
def test_a_weighed_cut_as_the_model_says_speaks_for_the_profile(name: str, regrows: bool) -> None:
    crop = profile(name)
    first, seeded, moved, cut = 0, 48.0, 48.0 + 24 * 20, 48.0 + 24 * 45
    light = np.where((np.arange(24 * 60) % 24 >= 6) & (np.arange(24 * 60) % 24 < 20), 1.0, 0.0)[None, :]
    zone = Outlook(first, np.full(light.shape, 20.0), light, np.ones(light.size, dtype=bool))
    batch = science.Batches(
        *(np.array([v]) for v in (seeded, np.nan, np.nan, np.nan, moved, crop.target_dry_g, *DENSITY))
    )
    usual = science.Multipliers(np.ones(1), np.ones(1), np.zeros(1))
    stands_g = float(science.forecast(crop, zone, zone, 400.0, batch, usual, cut).fresh_g_now[0, 0])
    on_scales_g = stands_g * (1.0 - crop.left_share * regrows)

    told = ledger(
        ("seeded", moment_of(seeded), {}),
        ("transplanted", moment_of(moved), {}),
        ("harvested", moment_of(cut), {"weight_g": on_scales_g, "regrows": regrows}),
    )
    row = Batch(
        house_id=1, succession_id=1, code="b", seeded_on=NOW.date(), cells=100, created_at=moment_of(seeded)
    )
    item = job.PastBatch(row, derive(told), told)
    (((piece,)),) = job._pieces(crop, zone, zone, 400.0, DENSITY, [item])
    assert piece["low"] == piece["high"] == pytest.approx(0.0, abs=0.01)
    assert piece["observed"] == pytest.approx(piece["expected"], rel=0.01)


def test_a_crop_without_a_cultivar_is_a_cell_of_its_own() -> None:
    crop = type(
        "Row",
        (),
        {
            "profile": "butterhead",
            "target_fresh_g": None,
            "window_open_leaves": None,
            "window_close_leaves": None,
        },
    )()
    wanted = [Cell(1, 1, None), Cell(1, 1, 4)]
    found = job.calibrate([], [], {}, wanted, {1: crop}, NOW.date())
    assert set(found.leaf.cells) == set(wanted)
    assert all(belief.mean == 0.0 for belief in found.leaf.cells.values())
