"""Hourly and daily integrals of real, irregular light against pandas: gaps, a leap day, a change of clocks."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pvlib
import pytest

from service.clock import FixedClock
from service.records.days import forget_days
from service.records.tables import House
from service.work.access import SYSTEM
from service.work.conditions import Arrival, Directory, Limits, Sample, load_directory, store_arrivals
from service.work.imports import settle_all
from service.work.measurements import list_days
from tests.ingest.rig import Site

# Greensboro, typical year: hours of global radiation, from 28 February on laid over the days below.
WEATHER = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
TIME_ZONE = "America/New_York"
FIRST, LAST = date(2024, 2, 29), date(2024, 3, 10)  # a leap day; clocks go forward in the night to 10 March
INTERVAL_S = 300.0
LIMITS = Limits(timedelta(minutes=5), timedelta(days=400))


def samples() -> pd.Series:
    """Return eleven days of light at random times, some in the wrong unit's precision, with gaps."""
    chance = np.random.default_rng(20240229)
    start = datetime(2024, 2, 29, tzinfo=ZoneInfo(TIME_ZONE)).astimezone(UTC)
    ghi = pd.read_csv(WEATHER, skiprows=1)["GHI (W/m^2)"].to_numpy(dtype=float)[24 * 58 :][: 24 * 13]
    # Between 20 s and 12 min apart: mostly covered, now and then not.
    steps_us = chance.integers(20_000_000, 720_000_000, size=2600)
    at_us = np.cumsum(steps_us)
    at_us = at_us[at_us < 11 * 86_400_000_000 + 7_200_000_000]
    # The last one ends with the change of clocks, at 2 o'clock of the eleventh night.
    for begin_h, end_h in (
        (30.3, 33.9),
        (95.0, 95.7),
        (120.0, 131.5),
        (226.4, 231.2),
    ):  # the last: the change of clocks
        at_us = at_us[(at_us < begin_h * 3.6e9) | (at_us > end_h * 3.6e9)]
    umol = (
        np.interp(at_us / 3.6e9, np.arange(ghi.size) + 0.5, ghi)
        * 0.45
        * 4.57
        * chance.uniform(0.7, 1.0, at_us.size)
    )
    return pd.Series(
        umol,
        index=pd.DatetimeIndex(pd.Timestamp(start).tz_convert("UTC") + pd.to_timedelta(at_us, unit="us")),
    )


def pieces(light: pd.Series) -> pd.DataFrame:
    """Return straight pieces between samples, cut at full hours, without those that span a gap."""
    borders = pd.date_range(light.index[0].floor("h"), light.index[-1].ceil("h"), freq="h")
    line = light.reindex(light.index.union(borders)).interpolate("time", limit_area="inside")
    own = pd.Series(light.index, index=light.index).reindex(line.index)
    since, until = own.ffill().iloc[:-1].to_numpy(), own.bfill().iloc[1:].to_numpy()
    gap_s = (pd.DatetimeIndex(until) - pd.DatetimeIndex(since)).total_seconds()
    length_s = (line.index[1:] - line.index[:-1]).total_seconds().to_numpy()
    area = 0.5 * (line.to_numpy()[:-1] + line.to_numpy()[1:]) * length_s * 1e-6
    table = pd.DataFrame({"mol": area, "covered_s": length_s}, index=line.index[:-1])
    return table[(gap_s <= 2.5 * INTERVAL_S) & np.isfinite(area)]


async def test_integrals_are_those_of_pandas(site: Site) -> None:
    light = samples()
    expected = pieces(light)
    sensor_id = await site.sensor("par", "ppfd_umol", "umol m-2 s-1", interval_s=INTERVAL_S)
    async with site.store.write() as uow:
        house = await uow.session.get(House, site.house_id)
        assert house is not None
        house.time_zone = TIME_ZONE
    chance = np.random.default_rng(1)
    order = chance.permutation(light.size)
    async with site.store.read() as uow:
        (stream,) = (await load_directory(uow, Directory())).of(site.topic("par"))
    assert stream.sensor_id == sensor_id
    for part in np.array_split(
        order, 7
    ):  # late, out of order, in several transactions with hours settled between
        found = [Sample(stream, light.index[n].to_pydatetime(), float(light.iloc[n])) for n in part.tolist()]
        async with site.store.write() as uow:
            await store_arrivals(
                uow, [Arrival(stream.topic, b"", datetime(2024, 3, 12, tzinfo=UTC), 0, found)], LIMITS
            )
        await settle_all(site.store)

    by_hour = expected.groupby(expected.index.floor("h")).sum()
    hours = await site.hours()
    assert [pd.Timestamp(at) for at in hours] == list(by_hour.index)
    assert [h.light_mol for h in hours.values()] == pytest.approx(
        by_hour["mol"].tolist(), rel=1e-9, abs=1e-12
    )
    assert [h.light_coverage * 3600 for h in hours.values()] == pytest.approx(
        by_hour["covered_s"].tolist(), rel=1e-9
    )
    assert by_hour["covered_s"].min() < 3500, "there are gaps"

    days = expected.groupby(expected.index.tz_convert(TIME_ZONE).date).sum()
    async with site.store.read() as uow:
        found_days = await list_days(
            uow, FixedClock(datetime(2024, 3, 12, tzinfo=UTC)), SYSTEM, site.house_id, first=FIRST, last=LAST
        )
    assert [d.on for d in found_days] == [FIRST + timedelta(days=n) for n in range(11)]
    assert [d.dli_mol for d in found_days] == pytest.approx(
        [days.loc[d.on, "mol"] for d in found_days], rel=1e-9
    )
    length_h = {d.on: 23 if d.on == LAST else 24 for d in found_days}
    assert [d.light_coverage for d in found_days] == pytest.approx(
        [days.loc[d.on, "covered_s"] / 3600 / length_h[d.on] for d in found_days], rel=1e-9
    )
    assert min(d.dli_mol or 0.0 for d in found_days) > 1.0


async def test_days_that_are_kept_are_those_that_are_summed_up(site: Site) -> None:
    """Without the kept sums the same comes out, also when the house's time zone changes."""
    await test_integrals_are_those_of_pandas(site)
    clock = FixedClock(datetime(2024, 3, 12, tzinfo=UTC))

    async def days() -> list[tuple[object, ...]]:
        async with site.store.read() as uow:
            rows = await list_days(uow, clock, SYSTEM, site.house_id, first=FIRST, last=LAST)
        return [(r.on, *(round(v, 9) for v in (r.dli_mol or 0.0, r.light_coverage))) for r in rows]

    kept = await days()
    async with site.store.write() as uow:
        await forget_days(uow, site.house_id)
    assert await days() == kept
    async with site.store.write() as uow:
        house = await uow.session.get(House, site.house_id)
        assert house is not None
        house.time_zone = "Asia/Kolkata"
    other = await days()
    assert other != kept
    assert sum(day[1] for day in other[1:-1]) == pytest.approx(sum(d[1] for d in kept[1:-1]), rel=0.3)  # type: ignore[misc]
