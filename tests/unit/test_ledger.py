"""The ledger of a batch: the balance always adds up, and contradictions are refused with their field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.records.tables import Batch, Entry, Succession
from service.work import reforecast
from service.work.errors import Impossible
from service.work.ledger import KINDS, LedgerState, derive, facts
from service.work.reforecast import LiveBatch

START = datetime(2026, 8, 3, 6, tzinfo=UTC)
NURSERY, NURSERY_2, CHANNELS, CHANNELS_2 = 1, 2, 3, 4
SECTIONS = A, B, C = 11, 12, 13


def entry(kind: str, day: float, plants: int | None = None, **more: Any) -> Entry:
    """Return an entry that is not stored, so many days after the start."""
    return Entry(
        batch_id=1,
        kind=kind,
        happened_at=START + timedelta(days=day),
        recorded_at=START + timedelta(days=day),
        recorded_by="crew",
        plants=plants,
        **more,
    )


def ledger(*entries: Entry) -> list[Entry]:
    """Number entries as the database would."""
    for number, each in enumerate(entries, start=1):
        each.id = number
    return list(entries)


def season() -> list[Entry]:
    """Return the ledger of a batch from seeding to its last head."""
    return ledger(
        entry("seeded", 0, 200, zone_id=NURSERY),
        entry("emergence_counted", 4, 100),
        entry("emergence_counted", 6, 190),
        entry("leaves_counted", 12, leaves=2.5),
        entry("moved", 13, zone_id=NURSERY_2),
        entry("transplanted", 20, 160, zone_id=CHANNELS),
        entry("discarded", 20.1, 30, reason="graded out", zone_id=NURSERY_2),
        entry("moved", 25, zone_id=CHANNELS_2),
        entry("discarded", 30, 2, reason="tip burn", zone_id=CHANNELS_2),
        entry("harvested", 45, 100, weight_g=151.0),
        entry("harvested", 46, 58),
    )


def problem_fields(entries: Sequence[Entry]) -> list[str]:
    """Return the fields that a ledger is refused for."""
    with pytest.raises(Impossible) as refused:
        derive(entries)
    return [problem.field for problem in refused.value.problems]


def at(day: float) -> datetime:
    """Return the moment so many days after the start."""
    return START + timedelta(days=day)


def test_a_season_adds_up() -> None:
    assert derive(season()) == LedgerState(
        seeded_at=START,
        cells=200,
        emerged=190,
        emerged_at=at(4),  # the first count that found half of the 190
        in_nursery=0,
        in_channels=0,
        discarded=32,
        harvested=158,
        transplanted_at=at(20),
        finished_at=at(46),
        leaf_counts=((at(12), 2.5),),
        harvests=((at(45), 100, 151.0), (at(46), 58, None)),
        harvest_begun_at=at(45),
        stage="finished",
        graded_out=30,
        zones=((START, NURSERY), (at(13), NURSERY_2), (at(20), CHANNELS), (at(25), CHANNELS_2)),
    )


@pytest.mark.parametrize(
    ("known", "stage", "in_nursery", "in_channels"),
    [
        (1, "nursery", 200, 0),
        (2, "nursery", 100, 0),
        (5, "nursery", 190, 0),
        (6, "channels", 30, 160),
        (7, "channels", 0, 160),
        (10, "channels", 0, 58),
        (11, "finished", 0, 0),
    ],
)
def test_the_stage_follows_the_plants(known: int, stage: str, in_nursery: int, in_channels: int) -> None:
    state = derive(season()[:known])
    assert (state.stage, state.in_nursery, state.in_channels) == (stage, in_nursery, in_channels)
    assert (state.finished_at is not None) == (stage == "finished")


def test_seeds_that_were_looked_for_in_vain_may_still_come_up() -> None:
    looked = [entry("seeded", 0, 200), entry("emergence_counted", 3, 0)]
    state = derive(ledger(*looked))
    assert (state.stage, state.in_nursery, state.emerged, state.failed) == ("nursery", 200, None, None)
    state = derive(ledger(*looked, entry("emergence_counted", 4, 190)))
    assert (state.in_nursery, state.emerged, state.not_emerged_at) == (190, 190, at(3))


def test_a_batch_of_which_nothing_came_up_is_finished_when_it_is_discarded() -> None:
    given_up = [entry("seeded", 0, 200), entry("emergence_counted", 9, 0), entry("discarded", 12, 200)]
    state = derive(ledger(*given_up))
    assert (state.stage, state.finished_at, state.none_came_up, state.failed) == (
        "finished",
        at(12),
        True,
        200,
    )


def test_a_batch_thrown_away_in_the_nursery_is_finished() -> None:
    state = derive(ledger(entry("seeded", 0, 200), entry("discarded", 9, 200)))
    assert (state.stage, state.finished_at, state.transplanted_at) == ("finished", at(9), None)


def test_a_discard_without_a_zone_takes_from_the_nursery_first() -> None:
    start = [entry("seeded", 0, 100, zone_id=NURSERY), entry("transplanted", 20, 70, zone_id=CHANNELS)]
    state = derive(ledger(*start, entry("discarded", 21, 40)))
    assert (state.in_nursery, state.in_channels) == (0, 60)
    state = derive(ledger(*start, entry("discarded", 21, 40, zone_id=CHANNELS)))
    assert (state.in_nursery, state.in_channels) == (30, 30)


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        (entry("transplanted", -1, 10), "happened_at"),
        (entry("leaves_counted", -0.1, leaves=1.0), "happened_at"),
        (entry("emergence_counted", 5, 201), "plants"),
        (entry("emergence_counted", 21, 120), "plants"),  # fewer than were transplanted
        (entry("transplanted", 21, 51), "plants"),
        (entry("harvested", 19, 10), "happened_at"),
        (entry("harvested", 40, 151), "plants"),
        (entry("harvested", 40, 1, zone_id=CHANNELS_2), "zone_id"),
        (entry("discarded", 10, 51), "plants"),  # leaves too few for the transplant that came later
        (entry("discarded", 21, 201), "plants"),
        (entry("discarded", 21, 51, zone_id=NURSERY), "plants"),
        (entry("discarded", 21, 151, zone_id=CHANNELS), "plants"),
        (entry("discarded", 21, 1, zone_id=CHANNELS_2), "zone_id"),
        (entry("discarded", 21), "plants"),
        (entry("discarded", 21, 0), "plants"),
        (entry("harvested", 40, -1), "plants"),
        (entry("moved", 21, 5, zone_id=CHANNELS_2), "plants"),
        (entry("seeded", 1, 10), "kind"),
        (entry("pruned", 21, 10), "kind"),
        (entry("leaves_counted", 5), "leaves"),
        (entry("leaves_counted", 5, leaves=61.0), "leaves"),
        (entry("leaves_counted", 5, leaves=float("nan")), "leaves"),
        (entry("transplanted", 21, 10, leaves=4.0), "leaves"),
        (entry("harvested", 40, 10, weight_g=0.0), "weight_g"),
        (entry("harvested", 40, 10, weight_g=5001.0), "weight_g"),
        (entry("harvested", 40, 10, weight_g=float("nan")), "weight_g"),
        (entry("discarded", 21, 10, weight_g=20.0), "weight_g"),
    ],
    ids=lambda value: (
        f"{value.kind} {value.plants} at {value.happened_at:%d}" if isinstance(value, Entry) else value
    ),
)
def test_what_contradicts_the_rest_is_refused(wrong: Entry, field: str) -> None:
    before = ledger(
        entry("seeded", 0, 200, zone_id=NURSERY), entry("transplanted", 20, 150, zone_id=CHANNELS)
    )
    assert problem_fields([*before, wrong]) == [field]


def test_nothing_happens_after_the_last_plant_is_gone() -> None:
    assert problem_fields([*season(), entry("leaves_counted", 47, leaves=20.0)]) == ["happened_at"]


def test_a_ledger_without_a_seeding_is_refused() -> None:
    assert problem_fields([]) == ["kind"]


def test_a_correction_replaces_what_it_supersedes() -> None:
    held = season()
    held[9].id, held[10].id = 10, 11
    correction = entry("harvested", 45, 90, weight_g=149.0, supersedes_id=10)
    correction.id = 12
    state = derive([*held, correction])
    assert (state.harvested, state.in_channels, state.stage) == (148, 10, "channels")
    assert state.harvests[0] == (at(45), 90, 149.0)

    again = entry("harvested", 45, 100, supersedes_id=12)
    again.id = 13
    assert derive([*held, correction, again]).stage == "finished"


def test_a_void_correction_takes_the_fact_back() -> None:
    void = entry("harvested", 46, supersedes_id=11, void=True)
    void.id = 12
    state = derive([*season(), void])
    assert (state.harvested, state.in_channels, state.stage) == (100, 58, "channels")


def test_a_correction_that_makes_a_later_fact_impossible_is_refused() -> None:
    assert problem_fields([*season(), entry("transplanted", 20, 120, zone_id=CHANNELS, supersedes_id=6)]) == [
        "plants"
    ]
    void = entry("transplanted", 20, supersedes_id=6, void=True)
    assert problem_fields([*season(), void]) == ["happened_at"]  # the harvests now come before any transplant


# --------------------------------------------------------------------------- laws


@st.composite
def attempts(draw: st.DrawFn) -> list[Entry]:
    """Return entries that someone tries to append to a batch of 100 cells, sensible or not."""
    made = []
    for number in range(draw(st.integers(1, 25))):
        kind = draw(st.sampled_from(KINDS[1:]))
        zones = {"moved": (NURSERY_2, CHANNELS_2), "transplanted": (CHANNELS,)}.get(
            kind, (None, NURSERY, CHANNELS)
        )
        section = draw(st.sampled_from((None, None, *SECTIONS)))
        come_from = draw(st.sampled_from((None, *SECTIONS))) if kind == "moved" else None
        counted = kind in {"emergence_counted", "transplanted", "weighed", "discarded", "harvested"} or (
            kind == "moved" and (section or come_from) and draw(st.booleans())
        )
        more: dict[str, Any] = {}
        if kind == "checked":
            more = {"severity": "none"}
        if kind == "weighed":
            more = {"weight_g": draw(st.floats(1, 500))}
        if kind == "treated":
            more = {"product": "soap", "waiting_days": draw(st.floats(0, 10))}
        made.append(
            entry(
                kind,
                draw(st.integers(-1, 60)),
                draw(st.integers(0, 110)) if counted else None,
                leaves=draw(st.floats(0, 60)) if kind == "leaves_counted" else None,
                regrows=draw(st.none() | st.booleans()) if kind == "harvested" else None,
                zone_id=CHANNELS if section else draw(st.sampled_from(zones)),
                section_id=section if kind != "emergence_counted" else None,
                from_section_id=come_from,
                supersedes_id=draw(st.none() | st.integers(2, number + 2)),
                void=draw(st.booleans()),
                **more,
            )
        )
    return made


def append(kept: list[Entry], attempt: Entry) -> list[Entry]:
    """Return the ledger with an entry, or as it was if the entry is refused."""
    superseded = {each.supersedes_id for each in kept}
    matching = [each for each in kept if each.id == attempt.supersedes_id and each.id not in superseded]
    if not matching:
        attempt.supersedes_id, attempt.void = None, False
    elif attempt.void:
        attempt.kind, attempt.happened_at = matching[0].kind, matching[0].happened_at
    before = derive(kept)
    try:
        derive([*kept, attempt])
    except Impossible:
        assert derive(kept) == before
        return kept
    attempt.id = len(kept) + 1
    return [*kept, attempt]


@settings(deadline=None)
@given(tries=attempts())
def test_the_balance_always_adds_up(tries: list[Entry]) -> None:
    kept = ledger(entry("seeded", 0, 100, zone_id=NURSERY))
    for attempt in tries:
        kept = append(kept, attempt)
        state = derive(kept)
        standing = state.cells if state.emerged is None else state.emerged
        assert standing == state.in_nursery + state.in_channels + state.discarded + state.harvested
        assert min(state.in_nursery, state.in_channels, state.discarded, state.harvested) >= 0
        assert sum(plants for _, plants in state.in_sections) <= state.in_channels
        assert all(plants > 0 for _, plants in state.in_sections)
        assert all(plants >= 0 for _, _, plants in state.section_history)
        assert dict(state.in_sections) == {
            section: plants
            for section, plants in {s: n for _, s, n in state.section_history}.items()
            if plants
        }
        assert state.emerged is None or state.cells == state.emerged + (state.failed or 0)
        assert not state.none_came_up or state.failed == state.discarded == state.cells
        assert state.graded_out <= state.discarded
        assert (state.stage == "finished") == (state.in_nursery + state.in_channels == 0)
        assert (state.stage == "nursery") <= (state.transplanted_at is None)

        held = facts(kept)
        assert state.discarded == sum(each.plants or 0 for each in held if each.kind == "discarded")
        gone = sum(e.plants or 0 for e in held if e.kind == "harvested" and not e.regrows)
        moved_out = sum(each.plants or 0 for each in held if each.kind == "transplanted")
        assert state.harvested == gone
        assert state.in_channels + state.harvested <= moved_out
        assert [each.happened_at for each in held] == sorted(each.happened_at for each in held)


@settings(deadline=None)
@given(tries=attempts(), order=st.randoms(use_true_random=False))
def test_the_order_of_recording_does_not_matter(tries: list[Entry], order: Any) -> None:
    kept = ledger(entry("seeded", 0, 100, zone_id=NURSERY))
    for attempt in tries:
        kept = append(kept, attempt)
    shuffled = list(kept)
    order.shuffle(shuffled)
    assert derive(shuffled) == derive(kept)


# --------------------------------------------------------------------------- several cuts


def herbs(*harvests: Entry) -> list[Entry]:
    """Return the ledger of 100 plants in the channels with these harvests."""
    return ledger(
        entry("seeded", 0, 100, zone_id=NURSERY), entry("transplanted", 14, 100, zone_id=CHANNELS), *harvests
    )


def test_what_regrows_stays_until_its_last_cut() -> None:
    so_far = herbs(entry("harvested", 30, 100, weight_g=42.0, regrows=True))
    state = derive(so_far)
    assert (state.in_channels, state.harvested, state.stage) == (100, 0, "channels")
    assert state.cuts == ((at(30), 42.0),)
    assert state.harvests == ()
    last = derive(ledger(*so_far, entry("harvested", 44, 100, weight_g=40.0, regrows=False)))
    assert (last.in_channels, last.harvested, last.stage, last.finished_at) == (0, 100, "finished", at(44))
    assert last.harvests == ((at(44), 100, 40.0),)


def test_a_cut_of_several_days_is_one_when_half_of_the_plants_are_cut() -> None:
    first, rest, again = (
        entry("harvested", day, plants, weight_g=weight, regrows=True)
        for day, plants, weight in ((30, 40, 41.0), (31, 60, 43.0), (45, 70, 39.0))
    )
    assert derive(herbs(first)).cuts == ()
    assert derive(herbs(first)).cuts_made == pytest.approx(0.4)
    assert derive(herbs(first, rest)).cuts == ((at(31), 43.0),)
    state = derive(herbs(first, rest, again))
    assert state.cuts == ((at(31), 43.0), (at(45), 39.0))
    assert state.cuts_made == pytest.approx(1.7)


def test_a_cut_takes_no_more_plants_than_there_are_and_only_a_harvest_regrows() -> None:
    assert problem_fields(herbs(entry("harvested", 30, 101, regrows=True))) == ["plants"]
    assert problem_fields(herbs(entry("discarded", 30, 10, reason="mildew", regrows=True))) == ["regrows"]
    gone = herbs(entry("harvested", 30, 100), entry("harvested", 31, 1, regrows=True))
    assert problem_fields(gone) == ["plants"]


# --------------------------------------------------------------------------- sections


def placed(*more: Entry) -> list[Entry]:
    """Return the ledger of 200 plants, of which 90 went to section A and 70 to B, with what came after."""
    return ledger(
        entry("seeded", 0, 200, zone_id=NURSERY),
        entry("transplanted", 20, 90, zone_id=CHANNELS, section_id=A),
        entry("transplanted", 20, 70, zone_id=CHANNELS, section_id=B),
        *more,
    )


def test_plants_are_split_merged_and_moved_between_sections() -> None:
    part = entry("moved", 25, 30, zone_id=CHANNELS, from_section_id=A, section_id=C)
    assert derive(placed()).in_sections == ((A, 90), (B, 70))
    assert derive(placed(part)).in_sections == ((A, 60), (B, 70), (C, 30))
    merged = placed(part, entry("moved", 26, zone_id=CHANNELS, from_section_id=B, section_id=C))
    assert derive(merged).in_sections == ((A, 60), (C, 100))
    state = derive(
        [*merged, entry("moved", 27, zone_id=CHANNELS_2)]
    )  # all, to a zone where no section is said
    assert (state.in_sections, state.in_channels, state.zones[-1]) == ((), 160, (at(27), CHANNELS_2))
    assert state.section_history == (
        (at(20), A, 90),
        (at(20), B, 70),
        (at(25), A, 60),
        (at(25), C, 30),
        (at(26), B, 0),
        (at(26), C, 100),
        (at(27), A, 0),
        (at(27), C, 0),
    )


def test_the_conditions_are_those_of_the_zone_where_most_plants_stand() -> None:
    to_other = [
        entry("moved", day, plants, zone_id=CHANNELS_2, from_section_id=A, section_id=C)
        for day, plants in ((25, 60), (26, 30))
    ]
    assert derive(placed(to_other[0])).zones[-1] == (at(20), CHANNELS)
    assert derive(placed(*to_other)).zones[-1] == (at(26), CHANNELS_2)


@pytest.mark.parametrize(
    ("taken", "left"),
    [
        (entry("harvested", 45, 30, section_id=A, zone_id=CHANNELS), ((A, 60), (B, 70))),
        (entry("discarded", 45, 70, section_id=B, zone_id=CHANNELS), ((A, 90),)),
        (entry("harvested", 45, 160), ()),  # all there is
        (entry("harvested", 45, 30, section_id=A, zone_id=CHANNELS, regrows=True), ((A, 90), (B, 70))),
        (entry("discarded", 45, 5, tray_id=1), ((A, 90), (B, 70))),  # of the nursery
    ],
    ids=["harvested", "discarded", "all", "regrows", "tray"],
)
def test_what_is_taken_leaves_its_section(taken: Entry, left: tuple[tuple[int, int], ...]) -> None:
    state = derive(placed(taken))
    assert state.in_sections == left
    assert state.in_channels == sum(plants for _, plants in left)


def test_a_section_is_not_asked_for_where_only_one_can_be_meant() -> None:
    one = ledger(
        entry("seeded", 0, 200, zone_id=NURSERY),
        entry("transplanted", 20, 90, zone_id=CHANNELS, section_id=A),
        entry("harvested", 45, 30),
    )
    assert derive(one).in_sections == ((A, 60),)
    unsaid = placed(entry("transplanted", 20, 40, zone_id=CHANNELS), entry("harvested", 45, 40))
    assert derive(unsaid).in_sections == ((A, 90), (B, 70))


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        (entry("harvested", 45, 91, section_id=A, zone_id=CHANNELS), "plants"),
        (entry("harvested", 45, 1, section_id=C, zone_id=CHANNELS), "section_id"),
        (entry("harvested", 45, 100), "section_id"),  # of which section?
        (entry("discarded", 45, 100, zone_id=CHANNELS), "section_id"),
        (entry("discarded", 45, 71, section_id=B, zone_id=CHANNELS), "plants"),
        (entry("moved", 45, 91, zone_id=CHANNELS, from_section_id=A, section_id=C), "plants"),
        (entry("moved", 45, zone_id=CHANNELS, from_section_id=C, section_id=A), "from_section_id"),
        (entry("moved", 45, 100, zone_id=CHANNELS, section_id=C), "from_section_id"),
        (entry("moved", 45, 10, zone_id=CHANNELS, from_section_id=A, section_id=A), "section_id"),
        (entry("moved", 10, 10, zone_id=CHANNELS, section_id=A), "plants"),
        (entry("emergence_counted", 5, 190, section_id=A), "section_id"),
        (entry("harvested", 45, 10, from_section_id=A), "from_section_id"),
        (entry("harvested", 45, 10, tray_id=1), "tray_id"),
        (entry("checked", 45, 91, finding="tipburn", severity="slight", section_id=A), "plants"),
        (entry("checked", 45, section_id=C, severity="none"), "section_id"),
        (entry("weighed", 45, 91, weight_g=80.0, section_id=A), "plants"),
        (entry("weighed", 45, 1, weight_g=80.0, section_id=C), "section_id"),
    ],
    ids=lambda value: f"{value.kind} {value.plants}" if isinstance(value, Entry) else value,
)
def test_what_cannot_be_of_a_section_is_refused(wrong: Entry, field: str) -> None:
    assert problem_fields(placed(wrong)) == [field]


# --------------------------------------------------------------------------- weighings


def test_weighed_heads_stay_where_they_are() -> None:
    before = derive(season())
    weighed = entry("weighed", 40, 10, weight_g=95.0, zone_id=CHANNELS_2)
    after = derive([*season(), weighed, entry("weighed", 43, 10, weight_g=120.0)])
    assert after.weighings == ((at(40), 95.0), (at(43), 120.0))
    assert replace(after, weighings=()) == before


def test_a_weighed_sample_is_a_weighing_and_what_regrows_is_not() -> None:
    of_season = season()
    sample = entry("harvested", 38, 2, weight_g=80.0)
    one_less = [*of_season[:-1], entry("harvested", 46, 56)]
    assert derive([*one_less, sample]).weighings == ((at(38), 80.0),)
    cut = entry("harvested", 40, 16, weight_g=90.0, regrows=True)  # a tenth of the 160
    found = derive([*of_season, cut, entry("weighed", 42, 10, weight_g=60.0)])
    assert (found.harvest_begun_at, found.weighings) == (at(40), ())


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        (entry("weighed", 19, 1, weight_g=95.0), "happened_at"),  # a day before the transplant
        (entry("weighed", 40, 159, weight_g=95.0), "plants"),  # 158 stand
        (entry("weighed", 40, 1, weight_g=95.0, zone_id=NURSERY), "zone_id"),
        (entry("weighed", 50, 1, weight_g=95.0), "plants"),  # all are gone
    ],
)
def test_what_does_not_stand_in_channels_is_not_weighed(wrong: Entry, field: str) -> None:
    assert problem_fields([*season(), wrong]) == [field]


# --------------------------------------------------------------------------- counts, checks, treatments


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        (entry("leaves_counted", 5, leaves=4.0, leaves_each=[4.0, 4.2, 4.1]), "leaves"),
        (entry("leaves_counted", 5, leaves=4.0, leaves_each=[]), "leaves_each"),
        (entry("discarded", 5, 1, leaves_each=[4.0]), "leaves_each"),
        (entry("checked", 5), "severity"),
        (entry("checked", 5, severity="slight"), "finding"),
        (entry("checked", 5, 3, severity="none"), "plants"),
        (entry("checked", 5, severity="slight", finding="mood"), "finding"),
        (entry("discarded", 5, 1, finding="pest"), "finding"),
        (entry("treated", 5, waiting_days=1.0), "product"),
        (entry("treated", 5, product="soap"), "waiting_days"),
        (entry("treated", 5, product="soap", waiting_days=366.0), "waiting_days"),
        (entry("checked", 5, severity="none", waiting_days=1.0), "waiting_days"),
        (entry("discarded", 5, 1, grade="A"), "grade"),
        (entry("discarded", 5, 1, weight_g=3.0), "weight_g"),
        (entry("weighed", 5, 10), "weight_g"),
        (entry("weighed", 5, weight_g=3.0), "plants"),
        (entry("weighed", 5, 10, weight_g=3.0), "happened_at"),  # nothing stands in the channels
        (entry("weighed", 5, 10, weight_g=3.0, tray_id=1), "tray_id"),
    ],
    ids=lambda value: value.kind if isinstance(value, Entry) else value,
)
def test_what_a_fact_does_not_say_or_says_wrongly_is_refused(wrong: Entry, field: str) -> None:
    assert problem_fields(ledger(entry("seeded", 0, 200, zone_id=NURSERY), wrong)) == [field]


def test_nothing_is_harvested_within_the_waiting_time_of_a_treatment() -> None:
    treated = entry("treated", 44, product="soap", waiting_days=2.0)
    assert problem_fields(placed(treated, entry("harvested", 45.9, 160))) == ["happened_at"]
    state = derive(placed(treated, entry("harvested", 46, 160)))
    assert (state.harvested, state.waiting_until, state.cut_while_waiting) == (160, at(46), ())
    with pytest.raises(Impossible, match=r"soap.*until 2026-09-18 06:00 UTC"):
        derive(placed(treated, entry("harvested", 45, 10, section_id=A, zone_id=CHANNELS)))


def test_a_treatment_of_a_section_follows_its_plants() -> None:
    treated = entry("treated", 44, product="soap", waiting_days=9.0, section_id=A, zone_id=CHANNELS)
    of_b = entry("harvested", 45, 10, section_id=B, zone_id=CHANNELS)
    assert derive(placed(treated, of_b)).harvested == 10
    moved = entry("moved", 44.5, 20, zone_id=CHANNELS, from_section_id=A, section_id=B)
    assert problem_fields(placed(treated, moved, of_b)) == ["happened_at"]


def test_a_treatment_recorded_after_a_harvest_says_that_it_was_too_early() -> None:
    held = placed(
        entry("harvested", 45, 10, section_id=B, zone_id=CHANNELS),
        entry("treated", 44, product="soap", waiting_days=9.0),
    )
    assert derive(held).cut_while_waiting == (at(45),)
    # What was cut then may be counted again, but not moved to another moment within the waiting time.
    again = entry("harvested", 45, 12, section_id=B, zone_id=CHANNELS, supersedes_id=4)
    assert derive([*held, again]).cut_while_waiting == (at(45),)
    later = entry("harvested", 46, 10, section_id=B, zone_id=CHANNELS, supersedes_id=4)
    assert problem_fields([*held, later]) == ["happened_at"]
    corrected = entry("treated", 44, product="soap", waiting_days=1.0, supersedes_id=5)
    assert derive([*held, corrected]).cut_while_waiting == ()


def test_what_was_graded_out_is_counted() -> None:
    state = derive(placed(entry("discarded", 21, 30, reason="graded out"), entry("discarded", 22, 5)))
    assert (state.discarded, state.graded_out) == (35, 30)


def test_plants_that_still_wait_for_sites_count_with_those_that_have_them() -> None:
    succession = Succession(
        house_id=1,
        crop_id=1,
        nursery_zone_id=NURSERY,
        channels_zone_id=CHANNELS,
        name="Weekly",
        heads_per_harvest=160,
        harvest_interval_days=7.0,
        seeding_interval_days=7.0,
        seeding_weekdays=[1],
        cells_per_seeding=200,
        keep_share=0.8,
    )
    batch = Batch(
        house_id=1,
        succession_id=1,
        cultivar_id=None,
        code="1",
        seeded_on=START.date(),
        cells=200,
        created_at=START,
    )

    def counted(*more: Entry) -> float:
        state = derive(ledger(entry("seeded", 0, 200), entry("emergence_counted", 5, 190), *more))
        return reforecast._plants(LiveBatch(batch, state), succession)

    part, rest = entry("transplanted", 20, 100), entry("transplanted", 24, 60)
    assert counted() == counted(part) == counted(part, rest) == 160.0
    assert counted(part, rest, entry("harvested", 50, 70)) == 90.0
    assert counted(part, entry("discarded", 24, 90)) == 100.0
