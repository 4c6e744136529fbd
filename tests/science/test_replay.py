"""Forecasts replayed on real weather, in simulated houses whose crop is not the model's.

The weather is Wageningen 1976-1999 and Greensboro, see ``tests.simulated.weather``; the crop has a growth law of its
own, its batches differ, counts and weights are noisy and the light sensor has gaps. Set EVENLEAF_TEST_WHOLE=1 for all
weekly batches of ten test years; ``python -m tests.bench replay`` prints the whole table.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.conftest import GIVEN
from tests.simulated import house, weather
from tests.simulated.farm import farm
from tests.simulated.trial import (
    AGAINST,
    COVERAGE,
    JUDGED,
    MOST_TO_NAIVE,
    MOST_TO_ORACLE,
    SAME_RECORDS,
    WINDOW_ERROR_DAYS,
    Trial,
    best_naive,
    misses,
    table,
    trial,
)

WHOLE = pytest.mark.skipif(
    not GIVEN.get("EVENLEAF_TEST_WHOLE"),
    reason="takes some minutes; EVENLEAF_TEST_WHOLE=1 runs it",
)


# --------------------------------------------------------------------------- the simulated houses


def test_wageningen_has_its_weather() -> None:
    outdoors = weather.wageningen(1976, 1999)
    days = outdoors.global_mj.reshape(-1, 24).sum(axis=1)
    assert days.size == 8766
    assert outdoors.filled_days == 122  # most of them in 1991
    # NL1.976, first and third day: 2200 and 1890 kJ m-2; 2.0 to 9.7 °C.
    assert days[[0, 2]] == pytest.approx([2.2, 1.89])
    assert outdoors.temp_c[:24].min() == pytest.approx(2.0, abs=0.2)
    assert outdoors.temp_c[:24].max() == pytest.approx(9.7, abs=0.2)
    assert np.isfinite(outdoors.global_mj).all()
    assert np.isfinite(outdoors.temp_c).all()


def test_years_of_greensboro_have_its_climate_but_not_each_other_s_weather() -> None:
    outdoors = weather.greensboro(1980, 1989, np.random.default_rng(1))
    days = outdoors.global_mj.reshape(-1, 24).sum(axis=1)
    assert 14.0 < days.mean() < 17.5
    one, other = days[:365], days[366 : 366 + 365]
    assert np.corrcoef(one, other)[0, 1] < 0.7


def test_houses_heat_shade_and_light() -> None:
    outdoors = weather.wageningen(1980, 1980)
    _, unlit = house.indoors(house.UNLIT, outdoors)
    _, lit = house.indoors(house.LIT, outdoors)
    assert unlit.temp_c.min() > house.UNLIT.heat_night_c - 0.1
    assert unlit.light_mol.sum() / outdoors.global_mj.sum() == pytest.approx(0.45 * 4.57 * 0.62)
    lamps = house.LIT.lamp_ppfd_umol * 3600 * house.LIT.lamp_hours / 1e6
    assert lit.light_mol.reshape(-1, 24).sum(axis=1).min() > lamps


def test_the_records_of_a_farm_hold_together() -> None:
    of = farm("unlit", 1976, 1)
    took = np.array([(b.ready_h - b.seeded_h) / 24 for b in of.past.batches])
    assert np.isfinite(took).all()
    assert took.min() > 30
    for batch in of.past.batches:
        kinds = [f.kind for f in batch.facts]
        assert kinds.index("emerged") < kinds.index("transplanted") < kinds.index("harvested")
        assert abs(batch.last("harvested").at_h - batch.ready_h) < 24 * 25
    assert np.isnan(of.past.channels.light_mol).mean() == pytest.approx(0.02, abs=0.02)


# --------------------------------------------------------------------------- how far off forecasts are


def check(
    done: Trial,
    against: Sequence[str],
    coverage: tuple[float, float],
    window_days: float,
    most_to_oracle: float = MOST_TO_ORACLE,
) -> None:
    said = "\n".join(table(done))
    print(said)
    for lead in JUDGED:
        line = done.line("harvest", lead)
        for oracle in against:
            assert line.mae <= most_to_oracle * line.rules[oracle], said
        assert line.mae <= MOST_TO_NAIVE * best_naive(line), said
    assert coverage[0] <= done.line("harvest").coverage <= coverage[1], said
    assert done.line("window_open").mae <= window_days, said
    assert done.line("harvest").crps < done.line("harvest").mae, said


@pytest.mark.slow
def test_an_unlit_house_in_short() -> None:
    # Every ninth batch of three test years, 17 of them: bounds are wider than those of the whole.
    done = trial("unlit", 3, every=9, members=30)
    check(done, [SAME_RECORDS], coverage=(0.66, 0.92), window_days=1.3, most_to_oracle=1.6)


SHORT = {
    # The strict oracle, from which only the weather to come is hidden, is off by 0.9 of the naive rule's error too.
    "unlit": {("harvest transplanting Q4", "the best naive rule's error")},
    # Off by 0.51 days, where the records would allow 0.39; and of all outcomes 88 % lie within the ranges.
    "lit": {
        ("harvest 7 days before Q4", "the same records's error"),
        ("harvest all all", "within the range"),
    },
}
"""Where it is known that forecasts fall short of what is wanted, and of what."""


@WHOLE
@pytest.mark.slow
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("kind", ["unlit", "lit"])
def test_ten_years_of_weekly_batches(kind: str) -> None:
    """Held against the oracles that are fair to a house: why not the strict one under lamps says the trial's module."""
    done = trial(kind, 10)
    most = COVERAGE[1] if kind == "unlit" else 0.89
    check(done, AGAINST[kind], (COVERAGE[0], most), window_days=WINDOW_ERROR_DAYS)
    # By season too.
    assert not [
        said
        for said in misses(done)
        if not any(said.startswith(f"{what}: ") and said.endswith(of) for what, of in SHORT[kind])
    ], "\n".join(table(done))
