"""A grower who follows the advice: the service's own path from records to advice, on a house that is walked.

At each look everything the service would know is put together from what was written down by then, and goes through
:func:`service.work.reforecast.learn` and :func:`service.work.reforecast.conclude`. The grower then seeds on the days
that the advice names as many cells as it says, and, when it says to change the seeding interval, practises the new one
from then on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import count

from service.agronomy.outlook import Measured
from service.records.calibration import KeptEvidence
from service.records.tables import Advice, Batch, Entry, Succession
from service.work import calibration
from service.work.ledger import derive, facts
from service.work.reforecast import HouseInput, LiveBatch, conclude, learn
from service.work.replay.loop import Grower, Note, Rules, Sown, Telling
from service.work.times import epoch_hours, seeding_moment

LEARN_DAYS = 14  # between two calibrations: what a walk saves against the service, which does it at each look

_KINDS = {
    "emerged": "emergence_counted",
    "counted": "leaves_counted",
    "transplanted": "transplanted",
    "discarded": "discarded",
    "weighed": "weighed",
    "harvested": "harvested",
}


@dataclass
class AdviceFollower:
    """Seeds as advised."""

    house: HouseInput  # as it would be read, without batches; its measured hours reach over the whole walk
    succession: Succession
    rules: Rules
    before: Grower  # whose rule is followed up to a day
    from_day: int = 0
    every_days: int = 1  # between two looks
    told: list[Telling] = field(default_factory=list)
    _rows: dict[int, tuple[Batch, list[Entry], int]] = field(default_factory=dict)  # by day of seeding
    _kept: dict[int, KeptEvidence] = field(default_factory=dict)
    _done: dict[int, calibration.PastBatch] = field(default_factory=dict)
    _advice: Advice | None = None
    _learnt: calibration.Calibration | None = None
    _learnt_on: int = -LEARN_DAYS
    _ids: count[int] = field(default_factory=lambda: count(1))

    def cells(self, day: int, batches: Sequence[Sown]) -> int:
        """Return how many cells to seed on a day."""
        if day < self.from_day:
            return self.before.cells(day, batches)
        if self._advice is None or day % self.every_days == 0:
            self._look(day, batches)
        on = self.rules.on(day).isoformat()
        advised = self._advice.seedings if self._advice else []
        return int(sum(s["cells"] for s in advised if s["on"] == on))

    def _look(self, day: int, batches: Sequence[Sown]) -> None:
        now = self._moment(day)
        past = [self._past(batch) for batch in batches]
        live = [LiveBatch(p.batch, p.state) for p in past if p.state.stage != "finished"]
        known = self.house
        given = replace(
            known,
            now=now,
            successions=[self.succession],
            live=live,
            measured={zone: _until(m, epoch_hours(now)) for zone, m in known.measured.items()},
            outside=_until(known.outside, epoch_hours(now)),
            advice={self.succession.id: self._advice} if self._advice else {},
            past=calibration.Past(
                past, {self.succession.id: self.succession}, [*known.past.kept, *self._kept.values()]
            ),
        )
        learnt = (
            learn(given) if day - self._learnt_on >= LEARN_DAYS else replace(given, calibration=self._learnt)
        )
        if learnt.calibration is not None and learnt.calibration is not self._learnt:
            self._keep(learnt.calibration.fresh, {p.batch.id: p.batch for p in past})
            self._learnt, self._learnt_on = learnt.calibration, day
        self._follow(day, conclude(learnt, "walk").advice[0])

    def _keep(self, fresh: Sequence[dict[str, object]], batches: dict[int, Batch]) -> None:
        for row in fresh:
            batch = batches[row["batch_id"]]  # type: ignore[index]
            self._kept[batch.id] = KeptEvidence(
                batch.id,
                batch.code,
                batch.house_id,
                self.succession.crop_id,
                batch.cultivar_id,
                batch.seeded_on,
                str(row["input_key"]),
                row["pieces"],  # type: ignore[arg-type]
            )

    def _follow(self, day: int, advice: Advice) -> None:
        self._advice = advice
        self.told.append(
            Telling(day, advice.decision, advice.advised_interval_days, advice.cells_per_seeding)
        )
        if advice.decision != "hold":
            self.succession.seeding_interval_days = advice.advised_interval_days

    # ---- records

    def _moment(self, day: int) -> datetime:
        return seeding_moment(self.rules.on(day), self.house.zone_info)

    def _past(self, sown: Sown) -> calibration.PastBatch:
        if done := self._done.get(sown.seeded):
            return done
        batch, entries, read = self._rows.get(sown.seeded) or self._begun(sown)
        entries.extend(self._entry(batch, note) for note in sown.notes[read:])
        self._rows[sown.seeded] = batch, entries, len(sown.notes)
        state = derive(entries)
        batch.stage = state.stage
        past = calibration.PastBatch(batch, state, facts(entries))
        if state.stage == "finished" and not (sown.waiting or sown.standing):
            self._done[sown.seeded] = past
        return past

    def _begun(self, sown: Sown) -> tuple[Batch, list[Entry], int]:
        on = self.rules.on(sown.seeded)
        batch = Batch(
            house_id=self.house.house.id,
            succession_id=self.succession.id,
            cultivar_id=self.succession.cultivar_id,
            code=f"{on:%y%m%d}",
            seeded_on=on,
            cells=sown.cells,
            created_at=self._moment(sown.seeded),
        )
        batch.id, batch.version = next(self._ids), 1
        return batch, [self._written(batch, "seeded", self._moment(sown.seeded), plants=sown.cells)], 0

    def _entry(self, batch: Batch, note: Note) -> Entry:
        said: dict[str, object] = {}
        if note.kind == "counted":
            said["leaves"] = note.value
        else:
            said["plants"] = note.plants
        if note.kind == "weighed":
            said["weight_g"] = note.value
        if note.kind == "harvested":
            said["readiness"] = note.readiness
            if note.value == note.value:
                said["weight_g"] = round(note.value, 1)
        return self._written(batch, _KINDS[note.kind], self._moment(note.day), **said)

    def _written(self, batch: Batch, kind: str, at: datetime, **said: object) -> Entry:
        entry = Entry(
            batch_id=batch.id,
            kind=kind,
            happened_at=at,
            recorded_at=at,
            recorded_by="grower",
            **said,  # type: ignore[arg-type]
        )
        entry.id = next(self._ids)
        return entry


def _until(measured: Measured, now_h: float) -> Measured:
    inside = slice(0, int(measured.hour.searchsorted(int(now_h))))
    return Measured(
        measured.hour[inside], measured.temp_c[inside], measured.light_mol[inside], measured.lamp_mol[inside]
    )
