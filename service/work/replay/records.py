"""Read the past of a house from its records, and put a replay into words."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from service.clock import Clock
from service.records import batches as batch_records
from service.records import calibration as calibration_records
from service.records import events as event_records
from service.records import places as place_records
from service.records import reforecast as records
from service.records.store import UnitOfWork
from service.records.tables import Batch, Crop, Entry
from service.work.access import SYSTEM
from service.work.errors import Impossible
from service.work.events import course_of, lamp_mol
from service.work.ledger import SAMPLE_SHARE, LedgerState, derive
from service.work.places import get_house
from service.work.profiles import profile_of
from service.work.reforecast import measured_hours, site_of
from service.work.replay.past import Fact, FactKind, Past, PastBatch
from service.work.times import EPOCH, epoch_hours

_KINDS: dict[str, FactKind] = {
    "emergence_counted": "emerged",
    "leaves_counted": "counted",
    "transplanted": "transplanted",
    "weighed": "weighed",
    "harvested": "harvested",
}


async def read_pasts(uow: UnitOfWork, clock: Clock, house_id: int) -> list[Past]:
    """Return the past of each crop of a house.

    What was to be done to the house (shade paint, set points, lamps) is taken as known all along: such things are
    planned.

    Raises
    ------
    NotFound
        If there is no such house.
    """
    now = clock.now()
    house = await get_house(uow, SYSTEM, house_id)
    zones = {z.id: z for z in await place_records.zones_of(uow, house_id)}
    crops = {c.id: c for c in await records.crops_of(uow, house.farm_id)}
    successions = {s.id: s for s in await place_records.successions_of(uow, house_id)}
    batches = await calibration_records.batches_since(uow, house_id, EPOCH.date())
    ledgers = await batch_records.entries_of(uow, [b.id for b in batches])
    events = await event_records.events_of(uow, house_id)
    measured = {zone_id: await measured_hours(uow, house, zone_id, EPOCH, now, events) for zone_id in zones}
    groups: dict[tuple[int, int, int], list[Batch]] = {}
    for batch in batches:
        of = successions[batch.succession_id]
        groups.setdefault((of.crop_id, of.nursery_zone_id, of.channels_zone_id), []).append(batch)
    found = []
    for (crop_id, nursery_id, channels_id), own in groups.items():
        crop, nursery, channels = crops[crop_id], zones[nursery_id], zones[channels_id]
        past = [p for b in own if (p := past_batch(b, ledgers[b.id], crop)) is not None]
        found.append(
            Past(
                name=f"{crop.name} in {channels.name}",
                succession_ids=frozenset(b.succession_id for b in own),
                site=site_of(house, house.light_transmission),
                course=course_of(house, events),
                key=house.id,
                co2_ppm=house.co2_ppm,
                profile=profile_of(crop),
                nursery=measured[nursery_id],
                channels=measured[channels_id],
                nursery_m2=nursery.plants_m2,
                channels_m2=channels.plants_m2,
                lamp_mol=partial(lamp_mol, house, events=events),
                batches=past,
                harvest_interval_days=successions[own[-1].succession_id].harvest_interval_days,
            )
        )
    return found


def past_batch(batch: Batch, entries: Sequence[Entry], crop: Crop) -> PastBatch | None:
    """Return a batch as plain values; none where its ledger says nothing that holds together.

    What was recorded after the last plant was gone was brought later, by an import or when tidying up, and counts as
    known when it happened.
    """
    try:
        state = derive(entries)
    except Impossible:
        return None

    def known_h(entry: Entry) -> float:
        late = state.finished_at is not None and entry.recorded_at > state.finished_at
        return epoch_hours(entry.happened_at if late else entry.recorded_at)

    replaced = {e.supersedes_id: known_h(e) for e in entries if e.supersedes_id is not None}
    main_h = _main_harvest_h(state)
    profile = profile_of(crop)
    facts = []
    for entry in entries:
        if entry.void or entry.kind not in _KINDS:
            continue
        if entry.kind == "emergence_counted" and entry.happened_at != state.emerged_at:
            continue
        at_h = epoch_hours(entry.happened_at)
        kind = _KINDS[entry.kind]
        value = entry.leaves if kind == "counted" else None
        if kind in {"weighed", "harvested"} and at_h > main_h:
            continue  # what regrows says nothing of plants that were never cut
        if entry.weight_g is not None:
            value = profile.cut_g(entry.weight_g, regrows=bool(entry.regrows))
        if kind == "emerged" and state.not_emerged_at is not None:
            value = epoch_hours(state.not_emerged_at)
        if kind == "harvested" and at_h != main_h:
            if value is None or entry.regrows:
                continue
            kind = "weighed"
        until_h = replaced.get(entry.id, np.inf)
        facts.append(
            Fact(kind, at_h, known_h(entry), np.nan if value is None else value, until_h, entry.readiness)
        )
    said = next((f.readiness for f in facts if f.kind == "harvested" and np.isinf(f.until_h)), None)
    return PastBatch(
        name=batch.code,
        seeded_h=epoch_hours(state.seeded_at),
        facts=tuple(facts),
        window_open_h=_passed_h(state, profile.window_open_leaves),
        # Heads cut early or held say nothing exact of when they were ready.
        ready_h=main_h if said in {None, "ready"} else np.nan,
        cultivar=batch.cultivar_id or 0,
    )


def _main_harvest_h(state: LedgerState) -> float:
    """When the first cut was made that was more than a sample; nan: not yet."""
    heads = sum(plants for _, plants, _ in state.harvests)
    large = [at for at, plants, _ in state.harvests if plants >= SAMPLE_SHARE * heads]
    large += [at for at, _ in state.cuts[:1]]
    return epoch_hours(min(large)) if large and state.stage == "finished" else np.nan


def _passed_h(state: LedgerState, leaves: float) -> float:
    """When counted leaves passed a number, on a straight line between two counts; nan: not seen."""
    for (before, low), (after, high) in zip(state.leaf_counts, state.leaf_counts[1:], strict=False):
        if low < leaves <= high:
            share = (leaves - low) / (high - low)
            return epoch_hours(before + share * (after - before))
    return np.nan
