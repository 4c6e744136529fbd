"""The simulated crop grows as the trade knows it: weeks in good light, clearly longer in dim light."""

from __future__ import annotations

import numpy as np
import pytest

from seed_demo.crop import BASIL, BUTTERHEAD, LEAF_LETTUCE, Day, Plant, Traits, Vigour, fresh_g, grow

NURSERY_M2, CHANNELS_M2 = 650.0, 25.0
TRANSPLANT_LEAVES = 4.3
BEST = 1.1
USUAL = Vigour()


def day(dli_mol: float, temp_c: float) -> Day:
    return Day(dli_mol, temp_c + 3.0 * np.sin(np.linspace(0.0, 2 * np.pi, 24, endpoint=False)))


def course(traits: Traits, nursery: Day, channels: Day, vigour: Vigour = USUAL) -> tuple[int, int]:
    """Return days in the nursery and in the channels."""
    plant, in_nursery, in_channels = Plant(), 0, 0
    while plant.leaves < TRANSPLANT_LEAVES:
        plant = grow(plant, traits, vigour, nursery, NURSERY_M2)
        in_nursery += 1
    plant = Plant(plant.emergence, plant.leaves, plant.dry_g * BEST, plant.light_mol)
    while fresh_g(plant, traits) < traits.ready_g:
        plant = grow(plant, traits, vigour, channels, CHANNELS_M2)
        in_channels += 1
    return in_nursery, in_channels


@pytest.mark.parametrize(("dli_mol", "temp_c"), [(12.0, 18.0), (13.5, 19.0), (15.0, 20.0)])
def test_butterhead_takes_two_weeks_and_four_weeks_in_good_light(dli_mol: float, temp_c: float) -> None:
    in_nursery, in_channels = course(BUTTERHEAD, day(dli_mol, temp_c + 2.0), day(dli_mol, temp_c))

    assert 13 <= in_nursery <= 16
    assert 26 <= in_channels <= 32


def test_dim_light_takes_clearly_longer() -> None:
    good, dim, gloom = (course(BUTTERHEAD, day(dli, 20.5), day(dli, 18.5)) for dli in (13.5, 6.0, 4.0))

    assert dim[0] > good[0] + 3
    assert gloom[0] > dim[0] + 2
    # An unlit house at 52 N took 62 days from 17 October and 57 from 21 January, at 10 to 14 °C (van Henten,
    # Agricultural Systems 45, 1994).
    assert 40 <= dim[1] <= 52
    assert 55 <= gloom[1] <= 80


def test_other_crops_have_their_own_pace() -> None:
    butterhead = course(BUTTERHEAD, day(14.0, 21.0), day(14.0, 19.0))
    leaf = course(LEAF_LETTUCE, day(14.0, 21.0), day(14.0, 19.0))
    basil = course(BASIL, day(14.0, 21.0), day(14.0, 19.0))
    warm_basil = course(BASIL, day(14.0, 25.0), day(14.0, 25.0))

    assert leaf[1] < butterhead[1]
    assert basil[0] > butterhead[0]
    assert sum(warm_basil) < sum(basil) - 8


@pytest.mark.parametrize("traits", [BUTTERHEAD, LEAF_LETTUCE, BASIL])
@pytest.mark.parametrize("dli_mol", [0.0, 0.5, 3.0, 12.0, 40.0])
@pytest.mark.parametrize("temp_c", [-5.0, 8.0, 20.0, 40.0])
def test_leaves_and_dry_weight_never_shrink(traits: Traits, dli_mol: float, temp_c: float) -> None:
    plant = Plant(emergence=1.0, leaves=2.0, dry_g=0.02)
    for _ in range(120):
        older = grow(plant, traits, Vigour(), day(dli_mol, temp_c), CHANNELS_M2)
        assert older.leaves >= plant.leaves
        assert older.dry_g >= plant.dry_g
        plant = older
    assert plant.dry_g < 100.0


def test_more_light_and_more_vigour_never_take_longer() -> None:
    by_light = [course(BUTTERHEAD, day(dli, 20.0), day(dli, 18.5)) for dli in (3, 5, 8, 12, 16, 24)]
    weak, strong = (
        course(BUTTERHEAD, day(13.0, 20.0), day(13.0, 19.0), Vigour(factor, factor)) for factor in (0.9, 1.1)
    )

    assert by_light == sorted(by_light, reverse=True)
    assert strong[0] < weak[0]
    assert strong[1] < weak[1]


def test_plants_that_stand_close_shade_each_other() -> None:
    plant = Plant(emergence=1.0, leaves=5.0, dry_g=0.3)

    close, apart = (
        grow(plant, BUTTERHEAD, Vigour(), day(13.0, 20.0), density).dry_g for density in (650.0, 25.0)
    )

    assert close - plant.dry_g < 0.6 * (apart - plant.dry_g)
