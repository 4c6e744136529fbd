"""A simulated farm over years: weekly batches of the true crop, and the records its grower keeps.

The grower looks once a day, at 0 h UTC: writes down emergence, counts leaves every third day with some error,
transplants once the count says so, and cuts when a weighed sample reaches the target.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from service.work.profiles import profile
from service.work.replay import Fact, Look, Past, PastBatch
from tests.simulated import crop, house, weather
from tests.simulated.sensors import measure
from tests.simulated.weather import Array

NURSERY_M2, CHANNELS_M2 = 650.0, 25.0
COUNT_SPREAD = 0.2  # leaves, of a counted mean
SAMPLE_SPREAD = 0.03  # relative, of the look that decides whether to cut
WEIGHED_SPREAD = 0.038  # relative, of the mean weight of ten heads out of a stand whose heads differ by 12 %
WEIGHED_EVERY_DAYS = 7  # once a batch stands in channels and its heads are worth weighing
WEIGHED_FROM = 0.1  # of the target: two weeks before they are ready heads may be as small
HARVEST_SPREAD = 0.02  # relative, of the mean weight of a harvest
WINDOW_LEAVES = 4.0  # that open the transplant window
TRANSPLANT_COUNT = 4.3  # counted leaves that make the grower move a batch
TRANSPLANT_LEAVES = 4.5  # what that comes to in the end
CO2_PPM = 400.0


@dataclass(frozen=True)
class Farm:
    """A farm's past as recorded, and what nobody knew."""

    past: Past
    leaf_pace: Array  # by batch
    growth_pace: Array
    states: crop.State  # at the border of each day, shape (days + 1, batches)
    days: crop.Days  # true conditions of nursery and channels, shape (2, days)
    first_day: int


@cache
def farm(kind: str, first_year: int, years: int, seed: int = 7, *, weighs: bool = True) -> Farm:
    """Return the farm ``unlit`` (Wageningen) or ``lit`` (Greensboro): two years of history and then the test years.

    A year more is simulated than asked for, so that what was seeded last is harvested.
    """
    rng = np.random.default_rng([seed, first_year, kind == "lit"])
    last_year = first_year + 2 + years
    if kind == "unlit":
        outdoors, inside = weather.wageningen(first_year, last_year), house.UNLIT
    else:
        outdoors, inside = weather.greensboro(first_year, last_year, rng), house.LIT
    # Whole UTC days.
    cut = slice(int(-outdoors.hour[0] % 24), None)
    nursery, channels = (
        house.Climate(c.hour[cut], c.temp_c[cut], c.light_mol[cut]) for c in house.indoors(inside, outdoors)
    )
    days = nursery.hour.size // 24
    nursery, channels = (
        house.Climate(c.hour[: 24 * days], c.temp_c[: 24 * days], c.light_mol[: 24 * days])
        for c in (nursery, channels)
    )
    first_day = int(nursery.hour[0]) // 24
    # Mondays (1970-01-01 was a Thursday); the first leaves a day for the trailing light.
    seeded = np.arange(first_day + 2 + (2 - first_day) % 7, first_day + days - 250, 7)
    leaf_pace = np.exp(crop.LEAF_SPREAD * rng.standard_normal(seeded.size))
    growth_pace = np.exp(crop.GROWTH_SPREAD * rng.standard_normal(seeded.size))
    zones = [crop.daily(c.temp_c, c.light_mol) for c in (nursery, channels)]
    both = crop.Days(*(np.stack(columns) for columns in zip(*zones, strict=True)))
    light_mol = channels.light_mol.reshape(-1, 24)
    of_batches = (seeded - first_day, leaf_pace, growth_pace)
    states, batches = _live(both, light_mol, *of_batches, first_day, rng, weighs=weighs)
    lamps = inside.lamp_mol(nursery.hour)
    past = Past(
        name=f"Butterhead, {kind}",
        site=inside.site(outdoors),
        key=7,
        co2_ppm=CO2_PPM,
        profile=profile("butterhead"),
        nursery=measure(nursery, lamps, rng),
        channels=measure(channels, lamps, rng),
        nursery_m2=NURSERY_M2,
        channels_m2=CHANNELS_M2,
        lamp_mol=inside.lamp_mol,
        batches=batches,
        harvest_interval_days=7.0,
    )
    return Farm(past, leaf_pace, growth_pace, states, both, first_day)


def _live(
    both: crop.Days,
    light_mol: Array,
    seeded: np.ndarray,
    leaf_pace: Array,
    growth_pace: Array,
    first_day: int,
    rng: np.random.Generator,
    *,
    weighs: bool,
) -> tuple[crop.State, list[PastBatch]]:
    n = seeded.size
    days = both.temp_c.shape[-1]
    target = crop.CULTIVAR.ready_g
    state = crop.State.seeded(n)
    history = crop.State(*(np.zeros((days + 1, n)) for _ in crop.State._fields))
    facts: list[list[Fact]] = [[] for _ in range(n)]
    moved = np.zeros(n, dtype=bool)
    gone = np.zeros(n, dtype=bool)
    window, ready = np.full(n, np.nan), np.full(n, np.nan)
    emerged_day = np.full(n, -1)
    for day in range(days):
        for column, now in zip(history, state, strict=True):
            column[day] = now
        at = 24.0 * (first_day + day)
        stands = (seeded <= day) & ~(gone & ~np.isnan(ready))
        fresh = state.fresh_g()
        count = state.leaves + COUNT_SPREAD * rng.standard_normal(n)
        sample = fresh * (1.0 + SAMPLE_SPREAD * rng.standard_normal(n))
        weight = fresh * (1.0 + HARVEST_SPREAD * rng.standard_normal(n))
        for i in np.flatnonzero(stands & (state.emergence >= 1.0) & ~gone):
            if emerged_day[i] < 0:
                emerged_day[i] = day
                facts[i].append(Fact("emerged", at, at, at - 24.0))
            elif not moved[i] and (day - emerged_day[i]) % 3 == 0 and state.leaves[i] > 0.5:
                facts[i].append(Fact("counted", at, at, round(max(float(count[i]), 0.0), 1)))
                if count[i] >= TRANSPLANT_COUNT:
                    moved[i] = True
                    facts[i].append(Fact("transplanted", at, at))
            elif moved[i] and sample[i] < target:
                if (
                    weighs
                    and fresh[i] > WEIGHED_FROM * target
                    and (day - seeded[i]) % WEIGHED_EVERY_DAYS == 0
                ):
                    grams = float(fresh[i] * (1.0 + WEIGHED_SPREAD * rng.standard_normal()))
                    facts[i].append(Fact("weighed", at, at, round(grams, 1)))
            elif moved[i]:
                gone[i] = True
                facts[i].append(Fact("harvested", at, at, round(float(weight[i]), 1)))
        zone = moved.astype(int)
        stepped = crop.step(
            state,
            crop.Days(*(column[zone, day] for column in both)),
            leaf_pace,
            growth_pace,
            np.where(moved, CHANNELS_M2, NURSERY_M2),
        )
        stepped = crop.State(*(np.where(stands, new, old) for new, old in zip(stepped, state, strict=True)))
        _note(window, at, state.leaves, stepped.leaves, WINDOW_LEAVES)
        _note(ready, at, fresh, stepped.fresh_g(), target, np.broadcast_to(light_mol[day], (n, 24)))
        state = stepped
    for column, now in zip(history, state, strict=True):
        column[days] = now
    batches = [
        PastBatch(f"batch {i}", 24.0 * (first_day + seeded[i]), tuple(facts[i]), window[i], ready[i])
        for i in range(n)
    ]
    return history, batches


def _note(
    when: Array, at_h: float, before: Array, after: Array, level: float, light_mol: Array | None = None
) -> None:
    """Note the moment at which a level was first passed within a day, on a straight line.

    ``light_mol``, of the day's hours, shape (lanes, 24): what grows by light passes it when that share of the day's
    light has fallen.
    """
    passed = np.flatnonzero(~np.isfinite(when) & (before < level) & (after >= level))
    share = (level - before[passed]) / (after - before)[passed]
    if light_mol is None:
        when[passed] = at_h + 24.0 * share
        return
    for lane, part in zip(passed, share, strict=True):
        fallen = np.cumsum(np.append(0.0, light_mol[lane]))
        when[lane] = at_h + np.interp(part, fallen / fallen[-1], np.arange(25.0))


def oracle(of: Farm, look: Look) -> tuple[Array, Array]:
    """Return window opening and harvest as the true crop forecasts them, shape (batches, members).

    The same members of the outlook, the true plants of the moment, and each batch's own pace: nothing but the
    weather to come is unknown.
    """
    members = look.nursery.temp_c.shape[0]
    which = np.repeat(look.batches, members)
    day = int(look.as_of_h) // 24 - of.first_day
    state = crop.State(*(column[day, which] for column in of.states))
    return _ahead(of, look, state, of.leaf_pace[which], of.growth_pace[which])


def same_records(of: Farm, look: Look) -> tuple[Array, Array]:
    """Return what the true crop forecasts from what the grower recorded, shape (batches, members).

    The true law and its true spread, but plants and paces only as far as counts and weights tell: paces are drawn
    from their spread, live through the true weather to the moment, and are kept as likely as they make the records.
    Nobody who has only these records can forecast better than this.
    """
    members = look.nursery.temp_c.shape[0]
    rng = np.random.default_rng([5, int(look.as_of_h)])
    kept = [_likely(of, look, of.past.batches[i], members, rng) for i in look.batches]
    columns = [np.concatenate(parts) for parts in zip(*kept, strict=True)]
    return _ahead(of, look, crop.State(*columns[:4]), columns[4], columns[5])


def _likely(
    of: Farm, look: Look, batch: PastBatch, members: int, rng: np.random.Generator
) -> tuple[Array, ...]:
    draws = 400
    leaf = np.exp(crop.LEAF_SPREAD * rng.standard_normal(draws))
    growth = np.exp(crop.GROWTH_SPREAD * rng.standard_normal(draws))
    state = crop.State.seeded(draws)
    moved = batch.last("transplanted", look.as_of_h)
    told: dict[float, list[Fact]] = {}
    for fact in batch.facts:
        if fact.known_h <= look.as_of_h and fact.kind in {"counted", "weighed"}:
            told.setdefault(fact.at_h, []).append(fact)
    fit = np.zeros(draws)
    for at in np.arange(batch.seeded_h, look.as_of_h + 1.0, 24.0):
        for fact in told.get(at, []):
            if fact.kind == "counted":
                fit -= 0.5 * ((fact.value - state.leaves) / COUNT_SPREAD) ** 2
            else:
                fit -= 0.5 * (np.log(fact.value / state.fresh_g()) / WEIGHED_SPREAD) ** 2
        if at >= look.as_of_h:
            break
        zone = int(moved is not None and moved.at_h <= at)
        today = crop.Days(*(column[zone, int(at) // 24 - of.first_day] for column in of.days))
        density = np.full(draws, (NURSERY_M2, CHANNELS_M2)[zone])
        state = crop.step(state, crop.Days(*(np.full(draws, x) for x in today)), leaf, growth, density)
    share = np.cumsum(np.exp(fit - fit.max()))
    chosen = np.searchsorted(share, (np.arange(members) + 0.5) / members * share[-1])
    chosen = rng.permutation(chosen)  # whose pace meets which weather is no matter
    return *(column[chosen] for column in state), leaf[chosen], growth[chosen]


def _ahead(
    of: Farm, look: Look, state: crop.State, leaf_pace: Array, growth_pace: Array
) -> tuple[Array, Array]:
    """Grow lanes (batches times members) on through the members of an outlook."""
    start = int(look.as_of_h) - look.nursery.first_hour
    members = look.nursery.temp_c.shape[0]
    whole = slice(start, start + (look.nursery.hours - start) // 24 * 24)
    zones = [crop.daily(z.temp_c[:, whole], z.light_mol[:, whole]) for z in (look.nursery, look.channels)]
    both = crop.Days(*(np.stack(columns) for columns in zip(*zones, strict=True)))
    member = np.tile(np.arange(members), len(look.batches))
    batches = [of.past.batches[i] for i in np.repeat(look.batches, members)]
    moved = np.array([b.last("transplanted", look.as_of_h) is not None for b in batches])
    # What has opened or is ready is so as of now; when it was does not matter to a forecast.
    window = np.where(state.leaves >= WINDOW_LEAVES, look.as_of_h, np.inf)
    ready = np.where(state.fresh_g() >= crop.CULTIVAR.ready_g, look.as_of_h, np.inf)
    for ahead in range(both.temp_c.shape[-1]):
        moved |= state.leaves >= TRANSPLANT_LEAVES
        zone = moved.astype(int)
        stepped = crop.step(
            state,
            crop.Days(*(column[zone, member, ahead] for column in both)),
            leaf_pace,
            growth_pace,
            np.where(moved, CHANNELS_M2, NURSERY_M2),
        )
        at = look.as_of_h + 24.0 * ahead
        _note(window, at, state.leaves, stepped.leaves, WINDOW_LEAVES)
        hours = slice(start + 24 * ahead, start + 24 * ahead + 24)
        light_mol = look.channels.light_mol[member, hours]
        _note(ready, at, state.fresh_g(), stepped.fresh_g(), crop.CULTIVAR.ready_g, light_mol)
        state = stepped
        if np.isfinite(ready).all():
            break
    shape = (len(look.batches), members)
    return window.reshape(shape), ready.reshape(shape)
