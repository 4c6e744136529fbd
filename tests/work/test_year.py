"""A scripted year of two houses: the balance holds at every moment, and no section is ever overfull."""

from __future__ import annotations

import random
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.batches import entries_of
from service.records.listing import known
from service.records.store import Store
from service.records.tables import Entry, House, Succession
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch
from service.work.crops import create_cultivar
from service.work.errors import Impossible
from service.work.ledger import derive, facts
from service.work.programme import create_succession
from service.work.sections import create_section, list_sections
from tests.work.conftest import Place, make_place

START = datetime(2026, 1, 5, 7, tzinfo=UTC)
BATCHES = 120


class Story:
    """What happens to one batch, drawn at random, wrong records and their corrections included."""

    def __init__(self, number: int, sections: list[int], draw: random.Random) -> None:
        self.seeded = START + timedelta(days=6 * (number // 2))
        self.draw, self.sections = draw, sections
        self.emerged = draw.randint(150, 200)
        self.planted = draw.randint(100, min(150, self.emerged))
        self.split = draw.random() < 0.5

    def facts(self) -> Iterable[dict[str, Any]]:
        """Yield facts with the day on which they happened; ``wrong`` ones are corrected at once."""
        draw = self.draw
        yield {"day": 7, "kind": "emergence_counted", "plants": self.emerged, "wrong": {"plants": 200}}
        yield {
            "day": 12,
            "kind": "leaves_counted",
            "leaves_each": [float(draw.randint(2, 4)) for _ in range(5)],
        }
        here, there = draw.sample(self.sections, 2)
        first = self.planted // 2 if self.split else self.planted
        yield {
            "day": 15,
            "kind": "transplanted",
            "plants": first,
            "section_id": here,
            "wrong": {"plants": first - 9},
        }
        if self.split:
            rest = self.planted - first
            yield {"day": 15, "kind": "transplanted", "plants": rest, "section_id": there}
        if self.emerged > self.planted:
            left = self.emerged - self.planted
            yield {
                "day": 15.2,
                "kind": "discarded",
                "plants": left,
                "reason": "grade-out",
                "in_nursery": True,
            }
        yield {"day": 20, "kind": "checked", "finding": "tipburn", "severity": "slight", "plants": 4}
        lost = draw.randint(1, 9)
        yield {"day": 21, "kind": "discarded", "plants": lost, "section_id": here, "reason": "tipburn"}
        first -= lost
        if self.split and draw.random() < 0.5:  # merged again
            yield {"day": 24, "kind": "moved", "from_section_id": there, "section_id": here}
        elif not self.split:
            part = first // 3
            yield {"day": 24, "kind": "moved", "plants": part, "from_section_id": here, "section_id": there}
        yield {"day": 25, "kind": "treated", "product": "soap", "waiting_days": 3.0}
        cut = draw.randint(20, 40)
        yield {
            "day": 34,
            "kind": "harvested",
            "plants": cut,
            "section_id": here,
            "weight_g": 150.0,
            "grade": "A",
        }
        yield {"day": 36, "kind": "harvested", "plants": self.planted - lost - cut, "readiness": "held"}


def check_balance(entries: list[Entry]) -> None:
    """Check the balance as it was after each fact."""
    held = facts(entries)
    counted = [e for e in held if e.kind == "emergence_counted"]
    for end in range(1, len(held) + 1):
        known = held[:end]
        if counted and known[-1].happened_at >= counted[-1].happened_at:
            state = derive(known)
            assert state.cells == (state.emerged or 0) + (state.failed or 0)
            plants = state.emerged
        else:
            state = derive(known)
            plants = state.cells
        assert plants == state.in_nursery + state.in_channels + state.discarded + state.harvested
        assert sum(n for _, n in state.in_sections) <= state.in_channels


async def two_houses(store: Store, clock: FixedClock) -> list[tuple[Place, list[int], int]]:
    """Make two farms' houses with three sections each; the second is sown with a mix."""
    found = []
    for name in ("Alder Farm", "Birch Farm"):
        place = await make_place(store, clock, name)
        async with store.write() as uow:
            ids = [
                (
                    await create_section(
                        uow, SYSTEM, {"zone_id": place.channels.id, "code": code, "sites": 600}
                    )
                ).section.id
                for code in ("A", "B", "C")
            ]
            succession_id = place.succession.id
            if name == "Birch Farm":
                other = await create_cultivar(uow, SYSTEM, {"crop_id": place.crop.id, "name": "Second"})
                mix = [
                    {"cultivar_id": place.cultivar.id, "share": 0.5},
                    {"cultivar_id": other.id, "share": 0.5},
                ]
                values = {**place.succession_values, "name": "Mixed", "cultivars": mix}
                values.pop("cultivar_id")
                succession_id = (await create_succession(uow, SYSTEM, values)).id
        found.append((place, ids, succession_id))
    return found


@pytest.mark.parametrize("seed", [20260914])
async def test_a_year_keeps_its_balance(store: Store, seed: int) -> None:
    draw = random.Random(seed)  # noqa: S311 - not a secret
    clock = FixedClock(START + timedelta(days=420))
    houses = await two_houses(store, clock)
    refusals = 0
    for number in range(BATCHES):
        place, sections, succession_id = houses[number % 2]
        story = Story(number, sections, draw)
        async with store.write() as uow:
            # Held, so that the session need not read them again for each fact.
            _held = [await known(uow, House, place.house.id), await known(uow, Succession, succession_id)]
            made = await create_batch(
                uow,
                clock,
                SYSTEM,
                {"succession_id": succession_id, "seeded_at": story.seeded, "cells_per_tray": 60},
            )
            batch_id = made.batch.id
            assert [tray.cells for tray in made.trays] == [60, 60, 60, 20]
            for fact in story.facts():
                at = story.seeded + timedelta(days=fact.pop("day"))
                wrong, nursery = fact.pop("wrong", None), fact.pop("in_nursery", False)
                fact |= {"happened_at": at, **({"zone_id": place.nursery.id} if nursery else {})}
                if wrong:
                    first, _ = await append_entry(uow, clock, SYSTEM, batch_id, {**fact, **wrong})
                    fact["supersedes_id"] = first.id
                await append_entry(uow, clock, SYSTEM, batch_id, fact)
            with pytest.raises(Impossible):  # nothing is left to be cut
                await append_entry(uow, clock, SYSTEM, batch_id, {"kind": "harvested", "plants": 1})
            refusals += 1
    assert refusals == BATCHES

    async with store.read() as uow:
        ledgers = await entries_of(uow, range(1, BATCHES + 1))
        rows, _ = await list_sections(uow, SYSTEM)
    corrections = 0
    for entries in ledgers.values():
        corrections += sum(e.supersedes_id is not None for e in entries)
        check_balance(entries)
        state = derive(entries)
        assert state.stage == "finished"
        assert state.cells == (state.emerged or 0) + (state.failed or 0) == 200
        assert state.emerged == state.discarded + state.harvested
    assert corrections == 2 * BATCHES
    assert [row.standing for row in rows] == [0] * 6
    for row in rows:  # over all batches, at every moment
        changes = sorted(
            (at, plants) for entries in ledgers.values() for at, plants in _changes(entries, row.section.id)
        )
        total = 0
        for _, change in changes:
            total += change
            assert 0 <= total <= row.section.sites
        assert total == 0


def _changes(entries: list[Entry], section_id: int) -> Iterable[tuple[datetime, int]]:
    before = 0
    for at, section, plants in derive(entries).section_history:
        if section == section_id:
            yield at, plants - before
            before = plants
