"""Marks of change: whether anything that bears on a house's forecast was written since one last looked.

Every transaction that writes what forecasts are made from counts up the mark of the house, of the farm, or of all,
as its last act before the commit, so that it holds the mark's row lock only for an instant and in one order with all
others. Whoever reads the marks first and the records after them misses nothing: what is committed in between is
read already and its mark is seen next time.

Hours, and readings of which hours are made, count once their hour is over: what is written of the hour that runs is
kept apart (scope ``hour``) and joins the house's count when a later hour begins. So a house whose sensors send all the
time is new once an hour, and one whose grower records something is new at once.

A write whose place is not known marks all houses: too much is only slow, too little would be wrong. What is written
past the session (raw statements of the driver) is to be noted by hand, see :func:`note`.

Whoever recorded something may have it forecast at once: :func:`recorded_at` says where, after the commit.

Beside these, marks of what is *shown* count what the answers that are kept are made from (:data:`SHOWN`), and one mark
counts changes of tokens and users: see :mod:`service.records.freshness`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, cast

from sqlalchemy import ColumnElement, Table, and_, case, event, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import ORMExecuteState, Session, UOWTransaction

from service.records.among import is_among
from service.records.tables import (
    Batch,
    ChangeMark,
    Crop,
    Entry,
    House,
    Sensor,
    Succession,
    Zone,
)

if TYPE_CHECKING:
    from service.records.store import UnitOfWork

Place = tuple[str, int]
"""What a mark is about: ``house``, ``farm`` or ``all``, and its id; before it is resolved also a row of these."""

# Of each table that forecasts are made from, the column that says where it belongs, and to what that refers.
INPUTS: Mapping[str, tuple[str, str]] = {
    "farm": ("id", "farm"),
    "house": ("id", "house"),
    "zone": ("house_id", "house"),
    "section": ("zone_id", "zone"),
    "crop": ("farm_id", "farm"),
    "cultivar": ("crop_id", "crop"),
    "succession": ("house_id", "house"),
    "succession_cultivar": ("succession_id", "succession"),
    "batch": ("house_id", "house"),
    "batch_cultivar": ("batch_id", "batch"),
    "batch_evidence": ("batch_id", "farm_of_batch"),  # it counts in every house of the farm
    "entry": ("batch_id", "batch"),
    "order": ("farm_id", "farm"),  # what is advised
    "tray": ("batch_id", "batch"),
    "house_event": ("house_id", "house"),
    "sensor": ("house_id", "house"),
    "sensor_calibration": ("sensor_id", "sensor"),
    "reading": ("sensor_id", "outdoor_sensor"),  # those of zones count through their hours
    "hour": ("zone_id", "zone"),
    "weather_forecast": ("house_id", "house"),
}
# Inputs of forecasts that forecasting itself writes: nobody has recorded anything.
CONCLUDED = frozenset({"batch_evidence"})
# Nothing of these goes into a forecast.
OTHERS = frozenset(
    {
        # what is concluded or told
        "advice",
        "alert",
        "calendar_feed",
        "change",
        "forecast",
        "forecast_day",
        "notice",
        "receiver",
        "retained_topic",
        "task",
        "zone_limit",
        # on the way to hours, or beside them
        "dead_letter",
        "retention",
        "sensor_hour",
        "sensor_lag",
        "touched_hour",
        "zone_day",
        "unknown_topic",
        # seed, packing and delivery
        "batch_seed_lot",
        "delivery",
        "house_log_entry",
        "lot_trial",
        "packed_lot",
        "packed_lot_harvest",
        "picture",
        "seed_lot",
        "seed_use",
        # who may, and how processes share work
        "audit_record",
        "change_mark",
        "idempotency_key",
        "ingest_slot",
        "job_lease",
        "login_throttle",
        "session",
        "token",
        "user",
    }
)
# What the answers that are kept show: inputs of forecasts, and what is concluded.
SHOWN: Mapping[str, tuple[str, str]] = {
    **{
        table: INPUTS[table]
        for table in (
            "farm",
            "house",
            "zone",
            "section",
            "crop",
            "cultivar",
            "succession",
            "succession_cultivar",
            "batch",
            "batch_cultivar",
            "entry",
            "tray",
        )
    },
    "advice": ("succession_id", "succession"),
    "alert": ("house_id", "house"),
    "batch_seed_lot": ("batch_id", "batch"),
    "forecast": ("batch_id", "batch"),
}
_WHO_MAY = frozenset({"token", "user"})
SHOWN_SCOPES: Mapping[str, str] = {"house": "v-house", "farm": "v-farm", "all": "v-all"}
"""Scopes of the marks of what is shown, by those of forecasts."""
ACCESS_SCOPE = "access"
# Moments from which a row counts; one that lies ahead keeps the house from being left out until it has passed.
_FROM = {"entry": "recorded_at", "weather_forecast": "issued_at"}
# Moments in hours that count when they are over.
_HOURLY = {"hour": "at", "reading": "at"}
_HOUR = timedelta(hours=1)
_ALL: Place = ("all", 0)
_RUNNING = "hour"
_PENDING = "evenleaf.marks"
_PENDING_SHOWN = "evenleaf.marks.shown"
_PENDING_ACCESS = "evenleaf.marks.access"
_RECORDED = "evenleaf.marks.recorded"


@dataclass(frozen=True)
class Marks:
    """What the marks say of a house."""

    farm_id: int
    time_zone: str
    changes: tuple[int, int, int]
    """Counts of changes of the house, of its farm, and of everything."""
    until: datetime | None
    """The latest moment from which something written counts."""
    running: int = 0
    """Changes of the house's newest hour,"""
    over_at: datetime | None = None
    """and when it is over."""

    def counted(self, now: datetime) -> tuple[int, int, int]:
        """Return the counts of what counts by now."""
        over = self.over_at is not None and self.over_at <= now
        return (self.changes[0] + (self.running if over else 0), *self.changes[1:])


@dataclass
class _Noted:
    """What a transaction changes at a place."""

    at_once: bool = False
    until: datetime | None = None
    over_at: set[datetime] = field(default_factory=set)
    """When hours are over of which something is written."""
    recorded: bool = False
    """Whether something else than hours and conclusions is written."""

    def add(self, other: _Noted) -> None:
        self.at_once |= other.at_once
        self.recorded |= other.recorded
        self.until = max((m for m in (self.until, other.until) if m is not None), default=None)
        self.over_at |= other.over_at


def note(
    uow: UnitOfWork,
    places: Iterable[Place],
    until: datetime | None = None,
    hours_of: Iterable[datetime] | None = None,
) -> None:
    """Note that something at these places is changed by the transaction.

    Parameters
    ----------
    until
        The moment from which it counts, if that may lie ahead.
    hours_of
        Moments in the hours that it is of, if it counts only when these are over.
    """
    _note(uow.session.sync_session, places, _noted(until, hours_of))


def recorded_at(uow: UnitOfWork) -> set[Place]:
    """Return the houses and farms of which the transaction, now committed, recorded something that counts at once."""
    found: set[Place] = uow.session.sync_session.info.pop(_RECORDED, set())
    return found


def _noted(until: datetime | None, hours_of: Iterable[datetime] | None, *, recorded: bool = True) -> _Noted:
    if hours_of is None:
        return _Noted(at_once=True, until=until, recorded=recorded)
    return _Noted(over_at={at.replace(minute=0, second=0, microsecond=0) + _HOUR for at in hours_of})


def _note(session: Session, places: Iterable[Place], what: _Noted) -> None:
    pending: dict[Place, _Noted] = session.info.setdefault(_PENDING, {})
    for place in places:
        pending.setdefault(place, _Noted()).add(what)


def _note_shown(session: Session, places: Iterable[Place]) -> None:
    pending: dict[Place, _Noted] = session.info.setdefault(_PENDING_SHOWN, {})
    for place in places:
        pending.setdefault(place, _Noted(at_once=True))


@event.listens_for(Session, "after_flush")
def _after_flush(session: Session, _flush: UOWTransaction) -> None:
    changed = [*session.new, *session.deleted, *(row for row in session.dirty if session.is_modified(row))]
    for row in changed:
        name = row.__tablename__
        if name in SHOWN:
            column, kind = SHOWN[name]
            _note_shown(session, [(kind, getattr(row, column))])
        if name in _WHO_MAY:
            session.info[_PENDING_ACCESS] = True
        if name in OTHERS:
            continue
        column, kind = INPUTS.get(name, ("", ""))
        where = getattr(row, column) if column else None
        until = getattr(row, _FROM[name]) if name in _FROM else None
        hours_of = [getattr(row, _HOURLY[name])] if name in _HOURLY else None
        what = _noted(until, hours_of, recorded=name not in CONCLUDED)
        _note(session, [_ALL if where is None else (kind, where)], what)


@event.listens_for(Session, "do_orm_execute")
def _on_execute(state: ORMExecuteState) -> None:
    if not (state.is_insert or state.is_update or state.is_delete):
        return
    name = cast(Any, state.statement).table.name
    given = state.parameters
    rows = [given] if isinstance(given, Mapping) else list(given or [])
    if name in SHOWN:
        column, kind = SHOWN[name]
        known = not state.is_update and rows and all(column in row for row in rows)
        _note_shown(state.session, {(kind, row[column]) for row in rows} if known else [_ALL])
    if name in _WHO_MAY:
        state.session.info[_PENDING_ACCESS] = True
    if name in OTHERS:
        return
    column, kind = INPUTS.get(name, ("", ""))
    if not state.is_update and rows and column and all(column in row for row in rows):
        if name in _HOURLY and all(_HOURLY[name] in row for row in rows):
            moments: dict[int, list[datetime]] = {}
            for row in rows:
                moments.setdefault(row[column], []).append(row[_HOURLY[name]])
            for row_id, hours_of in moments.items():
                _note(state.session, [(kind, row_id)], _noted(None, hours_of))
            return
        moment = _FROM.get(name, "")
        until = max((row[moment] for row in rows if moment in row), default=None)
        what = _noted(until, None, recorded=name not in CONCLUDED)
        _note(state.session, {(kind, row[column]) for row in rows}, what)
    elif name != "reading" or not state.is_delete:  # readings are only deleted when they are too old to count
        _note(state.session, [_ALL], _noted(None, None))


@event.listens_for(Session, "before_commit")
def _before_commit(session: Session) -> None:
    if session.in_nested_transaction():
        return
    session.flush()
    pending: dict[Place, _Noted] = session.info.pop(_PENDING, {})
    shown: dict[Place, _Noted] = session.info.pop(_PENDING_SHOWN, {})
    access = session.info.pop(_PENDING_ACCESS, False)
    if not (pending or shown or access):
        return
    with session.no_autoflush:
        resolved = _resolved(session, pending)
        recorded = {place for place, what in resolved.items() if what.recorded and place != _ALL}
        session.info.setdefault(_RECORDED, set()).update(recorded)
        more = _count_hours(session, resolved)
        for scope, row_id in _resolved(session, shown):
            more[SHOWN_SCOPES[scope], row_id] = (1, None)
        if access:
            more[ACCESS_SCOPE, 0] = (1, None)
        if more:
            _count_up(session, more)


@event.listens_for(Session, "after_rollback")
def _after_rollback(session: Session) -> None:
    if not session.in_nested_transaction():
        for pending in (_PENDING, _PENDING_SHOWN, _PENDING_ACCESS, _RECORDED):
            session.info.pop(pending, None)


_Those = Callable[[Any], ColumnElement[bool]]
_RESOLVE: dict[str, tuple[str, Callable[[_Those], Any]]] = {
    "zone": ("house", lambda those: select(Zone.id, Zone.house_id).where(those(Zone.id))),
    "batch": ("house", lambda those: select(Batch.id, Batch.house_id).where(those(Batch.id))),
    "succession": (
        "house",
        lambda those: select(Succession.id, Succession.house_id).where(those(Succession.id)),
    ),
    "sensor": ("house", lambda those: select(Sensor.id, Sensor.house_id).where(those(Sensor.id))),
    "entry": (
        "house",
        lambda those: (
            select(Entry.id, Batch.house_id).join(Batch, Batch.id == Entry.batch_id).where(those(Entry.id))
        ),
    ),
    "crop": ("farm", lambda those: select(Crop.id, Crop.farm_id).where(those(Crop.id))),
    "farm_of_batch": (
        "farm",
        lambda those: (
            select(Batch.id, House.farm_id).join(House, House.id == Batch.house_id).where(those(Batch.id))
        ),
    ),
}
"""By kind of row: the scope that one lies in, and the statement that finds those."""


def _among(session: Session, column: Any, ids: Iterable[int]) -> ColumnElement[bool]:
    return is_among(session.get_bind().dialect.name, column, ids)


def _resolved(session: Session, pending: Mapping[Place, _Noted]) -> dict[Place, _Noted]:
    """Return the houses and farms that the places lie in; a place that is gone already counts for all."""
    found: dict[Place, _Noted] = {}

    def add(place: Place, what: _Noted) -> None:
        found.setdefault(place, _Noted()).add(what)

    by_kind: dict[str, dict[int, _Noted]] = {}
    for (kind, row_id), what in pending.items():
        by_kind.setdefault(kind, {})[row_id] = what
    for kind, rows in by_kind.items():
        if kind in ("house", "farm", "all"):
            for row_id, what in rows.items():
                add((kind, row_id), what)
        elif kind == "outdoor_sensor":
            outdoors = select(Sensor.id, Sensor.house_id).where(Sensor.zone_id.is_(None))
            for sensor_id, house_id in session.execute(outdoors):
                if sensor_id in rows:
                    add(("house", house_id), rows[sensor_id])
        else:
            scope, statement = _RESOLVE[kind]
            those = partial(_among, session, ids=rows)
            places = {row.id: row[1] for row in session.execute(statement(those))}
            for row_id, what in rows.items():
                add((scope, places[row_id]) if row_id in places else _ALL, what)
    return found


def _count_hours(session: Session, found: Mapping[Place, _Noted]) -> dict[Place, tuple[int, datetime | None]]:
    """Count changes of each house's newest hour apart; return how much to add to the counts, and from when it counts.

    All that count hours lock these rows before any other mark, and in one order.
    """
    counts = {place: (int(what.at_once), what.until) for place, what in found.items()}
    houses = sorted(row_id for (scope, row_id), what in found.items() if scope == "house" and what.over_at)
    for place, what in found.items():
        if what.over_at and place[0] != "house":
            counts[place] = (1, what.until)
    if houses:
        table = cast(Table, ChangeMark.__table__)
        mine = and_(table.c.scope == _RUNNING, _among(session, table.c.row_id, houses))
        wanted = select(table.c.row_id, table.c.changes, table.c.until).where(mine).order_by(table.c.row_id)
        standing = {row.row_id: row for row in session.execute(wanted.with_for_update())}
        if len(standing) < len(houses):
            fresh = [
                {"scope": _RUNNING, "row_id": row_id, "changes": 0, "until": None}
                for row_id in houses
                if row_id not in standing
            ]
            session.execute(_insert(session, table).on_conflict_do_nothing(), fresh)
            standing = {row.row_id: row for row in session.execute(wanted.with_for_update())}
        for row_id in houses:
            place = ("house", row_id)
            running, over_at = standing[row_id].changes, standing[row_id].until
            newest = max(found[place].over_at)
            more, until = counts[place]
            if over_at is None or newest > over_at:
                more, running, over_at = more + running, 0, newest
            if newest == over_at:
                running += 1
            if any(other < over_at for other in found[place].over_at):
                more += 1
            counts[place] = (more, until)
            session.execute(
                update(table)
                .where(table.c.scope == _RUNNING, table.c.row_id == row_id)
                .values(changes=running, until=over_at)
            )
    return {place: told for place, told in counts.items() if told[0]}


def _insert(session: Session, table: Table) -> Any:
    dialect = session.get_bind().dialect.name
    return postgresql.insert(table) if dialect == "postgresql" else sqlite.insert(table)


def _count_up(session: Session, found: Mapping[Place, tuple[int, datetime | None]]) -> None:
    table = cast(Table, ChangeMark.__table__)
    statement = _insert(session, table)
    later = statement.excluded.until
    statement = statement.on_conflict_do_update(
        index_elements=["scope", "row_id"],
        set_={
            "changes": table.c.changes + statement.excluded.changes,
            "until": case((or_(table.c.until.is_(None), later > table.c.until), later), else_=table.c.until),
        },
    )
    # In one order, so that two transactions cannot wait for each other.
    rows = [
        {"scope": scope, "row_id": row_id, "changes": more, "until": until}
        for (scope, row_id), (more, until) in sorted(found.items(), key=lambda item: item[0])
    ]
    session.execute(statement, rows)


async def marks_of(uow: UnitOfWork, house_ids: Sequence[int]) -> dict[int, Marks]:
    """Return the marks of houses; of those that are there. To be read before what they are marks of."""
    rows = (
        await uow.session.execute(
            select(House.id, House.farm_id, House.time_zone).where(is_among(uow.dialect, House.id, house_ids))
        )
    ).all()
    farms = {row.farm_id for row in rows}
    marks = {
        (scope, row_id): (changes, until)
        for scope, row_id, changes, until in await uow.session.execute(
            select(ChangeMark.scope, ChangeMark.row_id, ChangeMark.changes, ChangeMark.until).where(
                or_(
                    and_(
                        ChangeMark.scope.in_(["house", _RUNNING]),
                        is_among(uow.dialect, ChangeMark.row_id, house_ids),
                    ),
                    and_(ChangeMark.scope == "farm", is_among(uow.dialect, ChangeMark.row_id, farms)),
                    ChangeMark.scope == "all",
                )
            )
        )
    }
    found = {}
    for house_id, farm_id, time_zone in rows:
        told = [marks.get(place, (0, None)) for place in (("house", house_id), ("farm", farm_id), _ALL)]
        until = max((m for _, m in told if m is not None), default=None)
        running, over_at = marks.get((_RUNNING, house_id), (0, None))
        changes = (told[0][0], told[1][0], told[2][0])
        found[house_id] = Marks(farm_id, time_zone, changes, until, running, over_at)
    return found
