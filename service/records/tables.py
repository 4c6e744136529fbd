"""Every table, and nothing else: what is stored, under which name and unit.

Names carry their unit where a number has one. Moments are :class:`~service.records.types.UtcDateTime`; dates
are local days of the house. ``version`` counts the changes of a row (optimistic locking).
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, ClassVar

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, MappedAsDataclass, mapped_column, relationship

from service.records.types import Days, UtcDateTime

# Rowids of SQLite must be INTEGER; PostgreSQL gets 64 bits.
Id = BigInteger().with_variant(Integer(), "sqlite")

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class Base(MappedAsDataclass, DeclarativeBase, kw_only=True):
    """What every table shares."""

    metadata = metadata
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        datetime: UtcDateTime(),
        dict[str, Any]: JSON(),
        list[Any]: JSON(),
        list[int]: JSON(),
        list[str]: JSON(),
        int: Integer(),
        str: Text(),
        bytes: LargeBinary(),
    }


def _id() -> Any:
    return mapped_column(Id, primary_key=True, init=False)


def _ref(target: str, *, index: bool = True, nullable: bool = False) -> Any:
    return mapped_column(Id, ForeignKey(target), index=index, nullable=nullable)


def _optional_ref(target: str, *, index: bool = True) -> Any:
    return mapped_column(Id, ForeignKey(target), index=index, nullable=True, default=None)


# --------------------------------------------------------------------------- the place


class Farm(Base, kw_only=True):
    """A farm: the limit of what a token may see."""

    __tablename__ = "farm"
    id: Mapped[int] = _id()
    name: Mapped[str]
    created_at: Mapped[datetime]
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    # Of the place where crops are cut, cooled and packed, for the records of a trace.
    address: Mapped[str | None] = mapped_column(default=None)
    phone: Mapped[str | None] = mapped_column(String(40), default=None)


class House(Base, kw_only=True):
    """A greenhouse."""

    __tablename__ = "house"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    name: Mapped[str]
    code: Mapped[str] = mapped_column(String(40))  # short name used in MQTT topics and batch codes
    latitude_deg: Mapped[float]
    longitude_deg: Mapped[float]
    elevation_m: Mapped[float] = mapped_column(default=0.0)
    time_zone: Mapped[str] = mapped_column(default="UTC")  # IANA
    light_transmission: Mapped[float] = mapped_column(default=0.6)  # inside over outside light, 0..1
    co2_ppm: Mapped[float] = mapped_column(default=400.0)
    temp_heat_day_c: Mapped[float] = mapped_column(default=18.0)  # heating set points
    temp_heat_night_c: Mapped[float] = mapped_column(default=16.0)
    temp_vent_c: Mapped[float] = mapped_column(default=24.0)  # ventilation set point
    lamp_ppfd_umol: Mapped[float] = mapped_column(default=0.0)  # at the canopy; 0: no lamps
    lamp_start_h: Mapped[float] = mapped_column(default=0.0)  # local clock hour
    lamp_hours: Mapped[float] = mapped_column(default=0.0)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (UniqueConstraint("farm_id", "code"),)


class Zone(Base, kw_only=True):
    """A part of a house with one climate and one spacing: the nursery or channels."""

    __tablename__ = "zone"
    id: Mapped[int] = _id()
    house_id: Mapped[int] = _ref("house.id")
    name: Mapped[str]
    code: Mapped[str] = mapped_column(String(40))
    kind: Mapped[str] = mapped_column(String(20))  # nursery | channels
    capacity: Mapped[int]  # nursery: cells; channels: sites
    plants_m2: Mapped[float]  # spacing, plants a square metre
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        UniqueConstraint("house_id", "code"),
        CheckConstraint("kind IN ('nursery', 'channels')", name="kind"),
    )


class Section(Base, kw_only=True):
    """A group of channels of one zone: where plants stand, precisely enough to trace them."""

    __tablename__ = "section"
    id: Mapped[int] = _id()
    zone_id: Mapped[int] = _ref("zone.id", index=False)
    code: Mapped[str] = mapped_column(String(40))
    name: Mapped[str]
    sites: Mapped[int]
    latitude_deg: Mapped[float | None] = mapped_column(default=None)  # for a farm map; none: the house's
    longitude_deg: Mapped[float | None] = mapped_column(default=None)
    active: Mapped[bool] = mapped_column(default=True)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        UniqueConstraint("zone_id", "code"),
        CheckConstraint("sites > 0", name="sites"),
    )


# --------------------------------------------------------------------------- what is grown


class Crop(Base, kw_only=True):
    """Species and type as this farm grows it; what is not given comes from the crop profile."""

    __tablename__ = "crop"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    name: Mapped[str]
    profile: Mapped[str] = mapped_column(String(40))  # a file of service/agronomy/crops
    target_fresh_g: Mapped[float | None] = mapped_column(default=None)
    window_open_leaves: Mapped[float | None] = mapped_column(default=None)
    window_close_leaves: Mapped[float | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (UniqueConstraint("farm_id", "name"),)


class Cultivar(Base, kw_only=True):
    """A variety of a crop."""

    __tablename__ = "cultivar"
    id: Mapped[int] = _id()
    crop_id: Mapped[int] = _ref("crop.id")
    name: Mapped[str]
    version: Mapped[int] = mapped_column(init=False)
    # Months in which it is seeded, 1 January .. 12 December; none: all year.
    season_months: Mapped[list[int] | None] = mapped_column(JSON(none_as_null=True), default=None)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (UniqueConstraint("crop_id", "name"),)


class Succession(Base, kw_only=True):
    """A standing programme: this crop in this house, this many heads every harvest interval."""

    __tablename__ = "succession"
    id: Mapped[int] = _id()
    house_id: Mapped[int] = _ref("house.id")
    crop_id: Mapped[int] = _ref("crop.id")
    cultivar_id: Mapped[int | None] = _optional_ref("cultivar.id")
    nursery_zone_id: Mapped[int] = _ref("zone.id")
    channels_zone_id: Mapped[int] = _ref("zone.id")
    name: Mapped[str]
    heads_per_harvest: Mapped[int]
    harvest_interval_days: Mapped[float]
    seeding_interval_days: Mapped[float]  # as practised now
    seeding_weekdays: Mapped[list[int]]  # allowed, ISO: 1 Monday .. 7 Sunday
    cells_per_seeding: Mapped[int]
    keep_share: Mapped[float]  # share of the seeded cells that is transplanted, 0..1
    active: Mapped[bool] = mapped_column(default=True)
    version: Mapped[int] = mapped_column(init=False)
    # A mix of several cultivars in a cell; none: one cultivar, or not said.
    cultivars: Mapped[list[SuccessionCultivar]] = relationship(
        default_factory=list,
        lazy="selectin",
        cascade="all, delete-orphan",
        order_by="SuccessionCultivar.place",
    )
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (UniqueConstraint("house_id", "name"),)


class SuccessionCultivar(Base, kw_only=True):
    """One cultivar of a succession's mix."""

    __tablename__ = "succession_cultivar"
    succession_id: Mapped[int] = mapped_column(Id, ForeignKey("succession.id"), primary_key=True, init=False)
    cultivar_id: Mapped[int] = mapped_column(Id, ForeignKey("cultivar.id"), primary_key=True)
    share: Mapped[float]  # of a cell's weight, 0..1; those of a mix add up to 1
    place: Mapped[int]  # in the order in which they were said
    __table_args__ = (CheckConstraint("share > 0 AND share < 1", name="share"),)


class Batch(Base, kw_only=True):
    """What one succession seeds on one date. Its state is derived from its ledger."""

    __tablename__ = "batch"
    id: Mapped[int] = _id()
    house_id: Mapped[int] = _ref("house.id")
    succession_id: Mapped[int] = _ref("succession.id", index=False)
    cultivar_id: Mapped[int | None] = _optional_ref("cultivar.id")
    code: Mapped[str] = mapped_column(String(60))
    seeded_on: Mapped[date]  # local day of the house; the moment is in the ledger
    cells: Mapped[int]
    created_at: Mapped[datetime]
    # Derived from the ledger in the same transaction, so that the live batches are found without reading it all.
    stage: Mapped[str] = mapped_column(String(20), default="nursery")  # nursery | channels | finished
    version: Mapped[int] = mapped_column(init=False)
    # As the succession's mix was at seeding.
    cultivars: Mapped[list[BatchCultivar]] = relationship(
        default_factory=list, lazy="selectin", cascade="all, delete-orphan", order_by="BatchCultivar.place"
    )
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        UniqueConstraint("house_id", "code"),
        CheckConstraint("stage IN ('nursery', 'channels', 'finished')", name="stage"),
        Index("ix_batch_succession_id_seeded_on", "succession_id", "seeded_on"),
        Index("ix_batch_house_id_stage", "house_id", "stage"),
    )


class BatchCultivar(Base, kw_only=True):
    """One cultivar of the mix that a batch is of."""

    __tablename__ = "batch_cultivar"
    batch_id: Mapped[int] = mapped_column(Id, ForeignKey("batch.id"), primary_key=True, init=False)
    cultivar_id: Mapped[int] = mapped_column(Id, ForeignKey("cultivar.id"), primary_key=True)
    share: Mapped[float]
    place: Mapped[int]
    __table_args__ = (CheckConstraint("share > 0 AND share < 1", name="share"),)


class Entry(Base, kw_only=True):
    """One fact of a batch's ledger: appended, superseded by a correction, never erased."""

    __tablename__ = "entry"
    id: Mapped[int] = _id()
    batch_id: Mapped[int] = _ref("batch.id")
    # seeded | emergence_counted | leaves_counted | transplanted | moved | discarded | harvested | checked | weighed
    # | treated
    kind: Mapped[str] = mapped_column(String(20))
    happened_at: Mapped[datetime]
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str]  # the token's or user's name
    plants: Mapped[int | None] = mapped_column(default=None)
    leaves: Mapped[float | None] = mapped_column(default=None)  # mean true leaves a plant
    weight_g: Mapped[float | None] = mapped_column(default=None)  # fresh weight a head
    zone_id: Mapped[int | None] = _optional_ref("zone.id", index=False)
    reason: Mapped[str | None] = mapped_column(default=None)
    note: Mapped[str | None] = mapped_column(default=None)
    supersedes_id: Mapped[int | None] = mapped_column(
        Id, ForeignKey("entry.id"), unique=True, nullable=True, default=None
    )
    void: Mapped[bool] = mapped_column(
        default=False
    )  # a correction that only takes the superseded entry back
    # Of a harvest, how ready heads were: early | ready | held; none: not said.
    readiness: Mapped[str | None] = mapped_column(String(10), default=None)
    # Of a harvest: the plants stay on their sites for another cut; none: they do not.
    regrows: Mapped[bool | None] = mapped_column(default=None)
    section_id: Mapped[int | None] = _optional_ref("section.id")  # where it happened, or where they went to
    from_section_id: Mapped[int | None] = _optional_ref(
        "section.id", index=False
    )  # of a move: where they were
    tray_id: Mapped[int | None] = _optional_ref("tray.id", index=False)  # of the nursery: which tray
    # Of a leaf count: true leaves of each plant counted; ``leaves`` is their mean.
    leaves_each: Mapped[list[float] | None] = mapped_column(JSON(none_as_null=True), default=None)
    grade: Mapped[str | None] = mapped_column(String(40), default=None)  # of a harvest
    finding: Mapped[str | None] = mapped_column(String(20), default=None)  # of a check
    severity: Mapped[str | None] = mapped_column(
        String(10), default=None
    )  # of a check: none | slight | severe
    product: Mapped[str | None] = mapped_column(default=None)  # of a treatment: what was applied
    # Of a treatment: nothing is harvested for so long after it.
    waiting_days: Mapped[float | None] = mapped_column(default=None)
    __table_args__ = (
        CheckConstraint(
            "kind IN ('seeded', 'emergence_counted', 'leaves_counted', 'transplanted', 'moved', 'discarded',"
            " 'harvested', 'checked', 'weighed', 'treated')",
            name="kind",
        ),
        CheckConstraint("readiness IN ('early', 'ready', 'held')", name="readiness"),
        CheckConstraint("severity IN ('none', 'slight', 'severe')", name="severity"),
        CheckConstraint("waiting_days >= 0", name="waiting_days"),
    )


class Tray(Base, kw_only=True):
    """One numbered tray of a batch."""

    __tablename__ = "tray"
    id: Mapped[int] = _id()
    batch_id: Mapped[int] = _ref("batch.id", index=False)
    number: Mapped[int]  # 1, 2, .. of the batch
    cells: Mapped[int]
    __table_args__ = (UniqueConstraint("batch_id", "number"),)


class Picture(Base, kw_only=True):
    """A picture that belongs to an entry."""

    __tablename__ = "picture"
    id: Mapped[int] = _id()
    entry_id: Mapped[int] = _ref("entry.id")
    media_type: Mapped[str] = mapped_column(String(40))  # image/jpeg | image/png | image/webp
    content: Mapped[bytes]
    size_bytes: Mapped[int]
    sha256: Mapped[str] = mapped_column(String(64))
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str]


class HouseLogEntry(Base, kw_only=True):
    """One fact of the house's own log: nutrient solution, additions, cleaning; corrected like a batch's entries."""

    __tablename__ = "house_log_entry"
    id: Mapped[int] = _id()
    house_id: Mapped[int] = _ref("house.id")
    kind: Mapped[str] = mapped_column(String(20))  # solution | addition | cleaning | note
    happened_at: Mapped[datetime] = mapped_column(index=True)
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str]
    zone_id: Mapped[int | None] = _optional_ref("zone.id", index=False)
    section_id: Mapped[int | None] = _optional_ref("section.id", index=False)
    ph: Mapped[float | None] = mapped_column(default=None)
    ec_ms_cm: Mapped[float | None] = mapped_column(default=None)
    temp_solution_c: Mapped[float | None] = mapped_column(default=None)
    substance: Mapped[str | None] = mapped_column(default=None)  # added, or cleaned with
    amount: Mapped[float | None] = mapped_column(default=None)
    amount_unit: Mapped[str | None] = mapped_column(String(10), default=None)  # mL | L | g | kg
    what: Mapped[str | None] = mapped_column(
        String(20), default=None
    )  # of a cleaning: channels | trays | tank | table
    note: Mapped[str | None] = mapped_column(default=None)
    supersedes_id: Mapped[int | None] = mapped_column(
        Id, ForeignKey("house_log_entry.id"), unique=True, nullable=True, default=None
    )
    void: Mapped[bool] = mapped_column(default=False)
    __table_args__ = (
        CheckConstraint("kind IN ('solution', 'addition', 'cleaning', 'note')", name="kind"),
        CheckConstraint("what IN ('channels', 'trays', 'tank', 'table')", name="what"),
    )


# --------------------------------------------------------------------------- seed in store


class SeedLot(Base, kw_only=True):
    """One delivery of seed of one cultivar."""

    __tablename__ = "seed_lot"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    cultivar_id: Mapped[int] = _ref("cultivar.id")
    lot_number: Mapped[str] = mapped_column(String(60))  # the supplier's
    received_on: Mapped[date]
    seeds: Mapped[int]  # received
    supplier: Mapped[str | None] = mapped_column(default=None)
    form: Mapped[str] = mapped_column(String(10), default="raw")  # raw | pelleted | primed
    germination_percent: Mapped[float | None] = mapped_column(default=None)  # as tested
    germination_tested_on: Mapped[date | None] = mapped_column(default=None)
    germination_seeds: Mapped[int | None] = mapped_column(default=None)  # how many were tested
    moisture_percent: Mapped[float | None] = mapped_column(default=None)  # of the fresh weight
    place: Mapped[str | None] = mapped_column(default=None)  # where it is kept
    sensor_id: Mapped[int | None] = _optional_ref("sensor.id", index=False)  # the temperature of that place
    opened_on: Mapped[date | None] = mapped_column(default=None)
    finished_on: Mapped[date | None] = mapped_column(default=None)  # used up or thrown away
    note: Mapped[str | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        UniqueConstraint("farm_id", "cultivar_id", "lot_number", "received_on"),
        CheckConstraint("form IN ('raw', 'pelleted', 'primed')", name="form"),
        CheckConstraint("seeds > 0", name="seeds"),
    )


class BatchSeedLot(Base, kw_only=True):
    """Seed of a lot that a batch was sown with."""

    __tablename__ = "batch_seed_lot"
    batch_id: Mapped[int] = mapped_column(Id, ForeignKey("batch.id"), primary_key=True, autoincrement=False)
    seed_lot_id: Mapped[int] = mapped_column(
        Id, ForeignKey("seed_lot.id"), primary_key=True, autoincrement=False, index=True
    )
    seeds: Mapped[int]
    cells: Mapped[int | None] = mapped_column(default=None)  # sown with it; none: all of the batch


class SeedUse(Base, kw_only=True):
    """Seed that left a lot otherwise than into a batch: a test, a loss, a count that found more or fewer."""

    __tablename__ = "seed_use"
    id: Mapped[int] = _id()
    seed_lot_id: Mapped[int] = _ref("seed_lot.id")
    used_on: Mapped[date]
    seeds: Mapped[int]  # negative: a count found more than was thought
    reason: Mapped[str] = mapped_column(String(20))  # test | trial | loss | count
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str]
    note: Mapped[str | None] = mapped_column(default=None)
    __table_args__ = (CheckConstraint("reason IN ('test', 'trial', 'loss', 'count')", name="reason"),)


class LotTrial(Base, kw_only=True):
    """A new lot sown beside the one in use."""

    __tablename__ = "lot_trial"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    new_lot_id: Mapped[int] = _ref("seed_lot.id")
    old_lot_id: Mapped[int] = _ref("seed_lot.id")
    sown_on: Mapped[date]
    new_sown: Mapped[int]
    old_sown: Mapped[int]
    new_good: Mapped[int | None] = mapped_column(
        default=None
    )  # good seedlings counted; none: not counted yet
    old_good: Mapped[int | None] = mapped_column(default=None)
    counted_on: Mapped[date | None] = mapped_column(default=None)
    note: Mapped[str | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}


# --------------------------------------------------------------------------- what is packed and delivered


class PackedLot(Base, kw_only=True):
    """Heads packed together under one lot code: what a buyer can name when something is wrong."""

    __tablename__ = "packed_lot"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    house_id: Mapped[int] = _ref("house.id", index=False)
    crop_id: Mapped[int] = _ref("crop.id", index=False)
    code: Mapped[str] = mapped_column(String(20))  # GS1 application identifier 10: at most 20 characters
    packed_at: Mapped[datetime]
    heads: Mapped[int]
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str]
    weight_kg: Mapped[float | None] = mapped_column(default=None)
    gtin: Mapped[str | None] = mapped_column(String(14), default=None)
    description: Mapped[str | None] = mapped_column(default=None)  # of the product as packed
    cooled_at: Mapped[datetime | None] = mapped_column(default=None)
    cooled_where: Mapped[str | None] = mapped_column(default=None)
    packed_where: Mapped[str | None] = mapped_column(default=None)
    reference: Mapped[str | None] = mapped_column(default=None)  # type and number of the document
    note: Mapped[str | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (UniqueConstraint("farm_id", "code"),)


class PackedLotHarvest(Base, kw_only=True):
    """Heads of one harvest that went into a packed lot."""

    __tablename__ = "packed_lot_harvest"
    packed_lot_id: Mapped[int] = mapped_column(
        Id, ForeignKey("packed_lot.id"), primary_key=True, autoincrement=False
    )
    entry_id: Mapped[int] = mapped_column(
        Id, ForeignKey("entry.id"), primary_key=True, autoincrement=False, index=True
    )
    heads: Mapped[int]


class Delivery(Base, kw_only=True):
    """Heads of a packed lot that left for a buyer."""

    __tablename__ = "delivery"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    packed_lot_id: Mapped[int] = _ref("packed_lot.id")
    order_id: Mapped[int | None] = _optional_ref("order.id")
    for_on: Mapped[date]  # the day of the order that it counts towards, or the day it left
    heads: Mapped[int]
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str]
    weight_kg: Mapped[float | None] = mapped_column(default=None)
    recipient: Mapped[str | None] = mapped_column(default=None)  # without an order: who got it
    reference: Mapped[str | None] = mapped_column(default=None)
    note: Mapped[str | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}


# --------------------------------------------------------------------------- what is measured


class Sensor(Base, kw_only=True):
    """One stream of values of one quantity."""

    __tablename__ = "sensor"
    id: Mapped[int] = _id()
    house_id: Mapped[int] = _ref("house.id")
    zone_id: Mapped[int | None] = _optional_ref("zone.id")  # none: outdoors or of the whole house
    name: Mapped[str]
    quantity: Mapped[str] = mapped_column(String(30))  # see service.work.quantities.QUANTITIES
    unit: Mapped[str] = mapped_column(String(30))  # the unit its payloads are in
    topic: Mapped[str] = mapped_column(String(255))  # resolved MQTT topic, without wildcards
    value_pointer: Mapped[str] = mapped_column(String(120), default="")  # RFC 6901; "": found by itself
    time_pointer: Mapped[str] = mapped_column(String(120), default="")
    sampling: Mapped[str] = mapped_column(String(10), default="instant")  # instant | mean | change | total
    interval_s: Mapped[float] = mapped_column(default=300.0)  # expected time between samples
    light_source: Mapped[str] = mapped_column(String(30), default="sun")  # for lux and W m-2
    factor: Mapped[float] = mapped_column(default=1.0)  # calibration, multiplies the converted value
    valid_min: Mapped[float | None] = mapped_column(
        default=None
    )  # in the stored unit; none: the quantity's own
    valid_max: Mapped[float | None] = mapped_column(default=None)
    active: Mapped[bool] = mapped_column(default=True)
    version: Mapped[int] = mapped_column(init=False)
    # Added to the times its messages bring, for a device whose clock is off; none: they are taken as they come.
    clock_correction_s: Mapped[float | None] = mapped_column(default=None)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        UniqueConstraint("topic", "value_pointer"),
        Index(
            "ix_sensor_outdoors",
            "house_id",
            postgresql_where=text("zone_id IS NULL"),
            sqlite_where=text("zone_id IS NULL"),
        ),
        CheckConstraint("sampling IN ('instant', 'mean', 'change', 'total')", name="sampling"),
    )


class Reading(Base, kw_only=True):
    """One sensor value, in the quantity's stored unit.

    The migration orders the key for the store: PostgreSQL (sensor, time), which the forecast reads along;
    SQLite (time, sensor) without rowid, which takes rows in the order in which they arrive. PostgreSQL also
    partitions the table by month, see :mod:`service.records.partitions`. There a trigger of the sensors and a look
    at them with each batch stand in for the foreign key, whose look with each row takes longer than all the rest.
    """

    __tablename__ = "reading"
    sensor_id: Mapped[int] = mapped_column(Id, primary_key=True)
    at: Mapped[datetime] = mapped_column(primary_key=True)
    value: Mapped[float]
    __table_args__ = (
        ForeignKeyConstraint(["sensor_id"], ["sensor.id"]).ddl_if(dialect="sqlite"),
        {"sqlite_with_rowid": False},
    )


class SensorCalibration(Base, kw_only=True):
    """What a comparison with a better instrument found: from then until then, right = factor x value + offset."""

    __tablename__ = "sensor_calibration"
    id: Mapped[int] = _id()
    sensor_id: Mapped[int] = _ref("sensor.id")
    from_at: Mapped[datetime]
    until_at: Mapped[datetime | None] = mapped_column(default=None)  # excluded; none: until further notice
    factor: Mapped[float] = mapped_column(default=1.0)
    offset: Mapped[float] = mapped_column(default=0.0)  # in the unit kept
    note: Mapped[str | None] = mapped_column(default=None)
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str]
    active: Mapped[bool] = mapped_column(default=True)  # false: taken back
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        CheckConstraint("until_at > from_at", name="span"),
        CheckConstraint("factor > 0", name="factor"),
    )


class SensorLag(Base, kw_only=True):
    """How far the times in a sensor's messages lay behind their arrival, over one clock hour of arrival."""

    __tablename__ = "sensor_lag"
    sensor_id: Mapped[int] = mapped_column(Id, ForeignKey("sensor.id"), primary_key=True)
    at: Mapped[datetime] = mapped_column(primary_key=True)  # start of the hour
    low_s: Mapped[float]  # negative: the device is ahead
    high_s: Mapped[float]
    messages: Mapped[int]
    __table_args__ = ({"sqlite_with_rowid": False},)


class SensorHour(Base, kw_only=True):
    """What is left of a sensor's readings over one clock hour when the readings themselves are dropped."""

    __tablename__ = "sensor_hour"
    sensor_id: Mapped[int] = mapped_column(Id, ForeignKey("sensor.id"), primary_key=True)
    at: Mapped[datetime] = mapped_column(primary_key=True)  # start of the hour
    mean: Mapped[float]  # of the readings, each counting alike, as measured
    minimum: Mapped[float]
    maximum: Mapped[float]
    readings: Mapped[int]
    __table_args__ = ({"sqlite_with_rowid": False},)


class Retention(Base, kw_only=True):
    """From when on readings are kept; one row, once any were dropped."""

    __tablename__ = "retention"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    readings_from: Mapped[datetime]


class Hour(Base, kw_only=True):
    """A zone's conditions over one clock hour, computed from its readings."""

    __tablename__ = "hour"
    zone_id: Mapped[int] = mapped_column(Id, ForeignKey("zone.id"), primary_key=True)
    at: Mapped[datetime] = mapped_column(primary_key=True)  # start of the hour
    temp_mean_c: Mapped[float | None] = mapped_column(default=None)
    temp_min_c: Mapped[float | None] = mapped_column(default=None)
    temp_max_c: Mapped[float | None] = mapped_column(default=None)
    temp_coverage: Mapped[float] = mapped_column(default=0.0)  # share of the hour that was measured, 0..1
    light_mol: Mapped[float | None] = mapped_column(default=None)  # integral over the measured share, mol m-2
    light_coverage: Mapped[float] = mapped_column(default=0.0)
    __table_args__ = ({"sqlite_with_rowid": False},)


class ZoneDay(Base, kw_only=True):
    """The sum of a zone's hours that begin in one local day; one that is not here is summed up when asked for."""

    __tablename__ = "zone_day"
    zone_id: Mapped[int] = mapped_column(Id, ForeignKey("zone.id"), primary_key=True)
    begins_at: Mapped[datetime] = mapped_column(primary_key=True)
    ends_at: Mapped[datetime] = mapped_column(primary_key=True)
    light_mol: Mapped[float | None] = mapped_column(default=None)
    light_covered_h: Mapped[float | None] = mapped_column(default=None)
    temp_sum: Mapped[float | None] = mapped_column(default=None)  # mean temperature times hours covered
    temp_covered_h: Mapped[float | None] = mapped_column(default=None)
    temp_min_c: Mapped[float | None] = mapped_column(default=None)
    temp_max_c: Mapped[float | None] = mapped_column(default=None)
    __table_args__ = ({"sqlite_with_rowid": False},)


class TouchedHour(Base, kw_only=True):
    """An hour of a zone whose readings changed and whose conditions are to be computed again."""

    __tablename__ = "touched_hour"
    zone_id: Mapped[int] = mapped_column(Id, ForeignKey("zone.id"), primary_key=True)
    at: Mapped[datetime] = mapped_column(primary_key=True)
    times: Mapped[int] = mapped_column(default=1)


class DeadLetter(Base, kw_only=True):
    """A payload that could not be stored as readings, kept with the reason."""

    __tablename__ = "dead_letter"
    id: Mapped[int] = _id()
    topic: Mapped[str] = mapped_column(String(255), index=True)
    payload: Mapped[bytes]  # the first part of it, if it was oversized
    size_bytes: Mapped[int]
    received_at: Mapped[datetime] = mapped_column(index=True)
    reason: Mapped[str] = mapped_column(String(30))  # a word; see service.work.conditions.REASONS
    detail: Mapped[str]  # a sentence
    sensor_id: Mapped[int | None] = _optional_ref("sensor.id")


class UnknownTopic(Base, kw_only=True):
    """A topic that no sensor claims, listed so that it can be adopted."""

    __tablename__ = "unknown_topic"
    topic: Mapped[str] = mapped_column(String(255), primary_key=True)
    first_seen_at: Mapped[datetime]
    last_seen_at: Mapped[datetime]
    messages: Mapped[int]
    last_payload: Mapped[bytes]


class IngestSlot(Base, kw_only=True):
    """A part of the messages where several ingest processes share them, and the process that takes it."""

    __tablename__ = "ingest_slot"
    slot: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    holder: Mapped[str | None] = mapped_column(String(80), default=None)
    epoch: Mapped[int] = mapped_column(default=0)  # counts the holders
    lease_until_s: Mapped[float] = mapped_column(default=0.0)  # since 1970 by the database's clock
    wanted_until_s: Mapped[float] = mapped_column(default=0.0)  # a process without a slot asks for it


# --------------------------------------------------------------------------- what is concluded


class Forecast(Base, kw_only=True):
    """What was expected of a batch at a moment, from what was known then."""

    __tablename__ = "forecast"
    id: Mapped[int] = _id()
    batch_id: Mapped[int] = _ref("batch.id", index=False)
    made_at: Mapped[datetime]
    input_key: Mapped[str] = mapped_column(String(64))  # digest of all that went in
    horizon_days: Mapped[int]  # a point that is not reached by then is null: "not within N days"
    # event -> {"p10": iso moment or null, "p50": ..., "p90": ...}; events: emergence, window_open,
    # window_close, transplant, harvest
    points: Mapped[dict[str, Any]]
    state: Mapped[dict[str, Any]]  # leaves and fresh weight now: p10, p50, p90
    parameters: Mapped[dict[str, Any]]
    reasons: Mapped[list[Any]]
    why: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True), default=None)  # as of advice
    __table_args__ = (Index("ix_forecast_batch_id_made_at", "batch_id", "made_at"),)


class BatchEvidence(Base, kw_only=True):
    """What the counts, weights and cuts of a batch say about its crop's multipliers, kept until its records change."""

    __tablename__ = "batch_evidence"
    batch_id: Mapped[int] = mapped_column(Id, ForeignKey("batch.id"), primary_key=True, autoincrement=False)
    input_key: Mapped[str] = mapped_column(String(64))  # digest of all that went in
    made_at: Mapped[datetime]
    # [{"parameter": "leaf" or "growth", "kind": ..., "entryId": n, "at": iso moment, "observed": x or null,
    # "expected": x, "low": log multiplier or null, "high": likewise, "sd": x, "measured": 0..1}]
    pieces: Mapped[list[Any]]


class Advice(Base, kw_only=True):
    """What a succession is told about its seedings; the newest row holds."""

    __tablename__ = "advice"
    id: Mapped[int] = _id()
    succession_id: Mapped[int] = _ref("succession.id", index=False)
    made_at: Mapped[datetime]
    input_key: Mapped[str] = mapped_column(String(64))
    decision: Mapped[str] = mapped_column(String(10))  # hold | shorten | lengthen
    binding: Mapped[str] = mapped_column(String(12))  # continuity | sites | window
    interval_days: Mapped[float]
    advised_interval_days: Mapped[float]
    cells_per_seeding: Mapped[int]
    from_on: Mapped[date]
    probability: Mapped[float]  # of the direction advised
    seedings: Mapped[list[Any]]  # [{"on": iso date, "cells": n, "harvest": {...}}]
    outcome: Mapped[dict[str, Any]]  # harvest gaps with and without the change, sites needed
    reasons: Mapped[list[Any]]  # sentences
    # The same as codes and figures, see service.work.words; none: made before there were any.
    why: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True), default=None)
    __table_args__ = (
        Index("ix_advice_succession_id_made_at", "succession_id", "made_at"),
        CheckConstraint("decision IN ('hold', 'shorten', 'lengthen')", name="decision"),
        CheckConstraint("binding IN ('continuity', 'sites', 'window')", name="binding"),
    )


class Alert(Base, kw_only=True):
    """A condition that stays open until it ends. One open alert per kind and subject, whoever raises it."""

    __tablename__ = "alert"
    id: Mapped[int] = _id()
    house_id: Mapped[int] = _ref("house.id")
    kind: Mapped[str] = mapped_column(String(40))
    subject: Mapped[str] = mapped_column(String(60))  # for example succession:3
    severity: Mapped[str] = mapped_column(String(10))  # info | warning | urgent
    title: Mapped[str]
    detail: Mapped[str]
    next_step: Mapped[str]
    evidence: Mapped[dict[str, Any]]
    opened_at: Mapped[datetime]
    updated_at: Mapped[datetime]
    closed_at: Mapped[datetime | None] = mapped_column(default=None)
    onset_at: Mapped[datetime | None] = mapped_column(
        default=None
    )  # when the condition began; none: not known
    size: Mapped[float | None] = mapped_column(default=None)  # how much it is, in size_unit
    size_unit: Mapped[str | None] = mapped_column(String(20), default=None)
    acknowledged_at: Mapped[datetime | None] = mapped_column(default=None)
    acknowledged_by: Mapped[str | None] = mapped_column(default=None)  # the token's or user's name
    snoozed_until: Mapped[datetime | None] = mapped_column(default=None)  # nothing is sent of it before
    # What it says as a code and figures, see service.work.words; none: in sentences only.
    words: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True), default=None)
    __table_args__ = (
        Index(
            "uq_alert_open",
            "house_id",
            "kind",
            "subject",
            unique=True,
            postgresql_where=text("closed_at IS NULL"),
            sqlite_where=text("closed_at IS NULL"),
        ),
        CheckConstraint("severity IN ('info', 'warning', 'urgent')", name="severity"),
    )


# --------------------------------------------------------------------------- who may


class Token(Base, kw_only=True):
    """A secret that lets a person or program in; only its hash is kept."""

    __tablename__ = "token"
    id: Mapped[int] = _id()
    name: Mapped[str]
    secret_hash: Mapped[str] = mapped_column(String(64), unique=True)  # SHA-256 of 256 random bits
    scopes: Mapped[list[str]]  # read | record | write | ingest | admin
    created_at: Mapped[datetime]
    farm_id: Mapped[int | None] = _optional_ref("farm.id")  # none: every farm
    revoked_at: Mapped[datetime | None] = mapped_column(default=None)
    expires_at: Mapped[datetime | None] = mapped_column(default=None)  # none: it works until it is revoked
    last_used_at: Mapped[datetime | None] = mapped_column(default=None)  # to the hour; none: never


class User(Base, kw_only=True):
    """A person who logs in."""

    __tablename__ = "user"
    id: Mapped[int] = _id()
    login: Mapped[str] = mapped_column(String(200), unique=True)  # a name or mail address, in lower case
    display_name: Mapped[str]
    role: Mapped[str] = mapped_column(String(10))  # owner | grower | crew | viewer
    password_hash: Mapped[str]  # Argon2id with its salt and parameters
    created_at: Mapped[datetime]
    password_changed_at: Mapped[datetime]
    farm_id: Mapped[int | None] = _optional_ref("farm.id")  # none: every farm
    active: Mapped[bool] = mapped_column(default=True)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (CheckConstraint("role IN ('owner', 'grower', 'crew', 'viewer')", name="role"),)


class Session(Base, kw_only=True):
    """A browser in which a user has logged in; only the hash of its secret is kept."""

    __tablename__ = "session"
    id: Mapped[int] = _id()
    secret_hash: Mapped[str] = mapped_column(String(64), unique=True)  # SHA-256 of 256 random bits
    user_id: Mapped[int] = _ref("user.id")
    created_at: Mapped[datetime]
    seen_at: Mapped[datetime]  # to some minutes
    expires_at: Mapped[datetime] = mapped_column(index=True)  # however much it is used
    device: Mapped[str] = mapped_column(String(200), default="")  # what the browser calls itself
    ended_at: Mapped[datetime | None] = mapped_column(default=None)  # none: not logged out


class LoginThrottle(Base, kw_only=True):
    """Log-ins that failed of one account or from one address, and until when no more are tried."""

    __tablename__ = "login_throttle"
    key: Mapped[str] = mapped_column(String(80), primary_key=True)  # account: or address: and a digest
    failures: Mapped[int]
    last_at: Mapped[datetime] = mapped_column(index=True)
    blocked_until: Mapped[datetime | None] = mapped_column(default=None)


class IdempotencyKey(Base, kw_only=True):
    """A key that a client gave with a request, and what it was answered, to be answered again."""

    __tablename__ = "idempotency_key"
    access: Mapped[str] = mapped_column(String(40), primary_key=True)  # token:3 or user:5
    key: Mapped[str] = mapped_column(String(255), primary_key=True)
    request: Mapped[str]  # method and path with query
    digest: Mapped[str] = mapped_column(String(64))  # of the body
    created_at: Mapped[datetime] = mapped_column(index=True)
    status: Mapped[int | None] = mapped_column(default=None)  # none: not answered yet
    headers: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True), default=None)
    body: Mapped[bytes | None] = mapped_column(default=None)


class AuditRecord(Base, kw_only=True):
    """A change: who made it, when, by which operation, to what. Written with the change, never changed itself."""

    __tablename__ = "audit_record"
    id: Mapped[int] = _id()
    at: Mapped[datetime] = mapped_column(index=True)
    access: Mapped[str] = mapped_column(String(40))  # token:3, user:5 or system
    name: Mapped[str]  # what they were called then
    operation: Mapped[str] = mapped_column(String(60))  # as in the description of the API, or the page's
    method: Mapped[str] = mapped_column(String(10))
    path: Mapped[str]
    status: Mapped[int]  # answered
    things: Mapped[list[str]]  # rows made or changed, for example batch:12; of bulk changes none
    farm_id: Mapped[int | None] = mapped_column(Id, index=True, default=None)  # none: of none or of several
    # Of records that are corrected in place, by row and column: what was said before and what is said now.
    changes: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True), default=None)


# --------------------------------------------------------------------------- what is wanted and to be done


class Order(Base, kw_only=True):
    """What a buyer wants of a crop: so many heads, or so much weight, on weekdays or on dates."""

    __tablename__ = "order"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    crop_id: Mapped[int] = _ref("crop.id")
    buyer: Mapped[str]
    heads: Mapped[int | None] = mapped_column(default=None)  # on each day; heads or weight_kg, not both
    weight_kg: Mapped[float | None] = mapped_column(default=None)
    # ISO, 1 Monday .. 7 Sunday; weekdays or dates, not both
    weekdays: Mapped[list[int] | None] = mapped_column(JSON(none_as_null=True), default=None)
    starts_on: Mapped[date | None] = mapped_column(default=None)  # first day of the weekdays
    ends_on: Mapped[date | None] = mapped_column(default=None)  # last day of the weekdays; none: goes on
    dates: Mapped[list[date] | None] = mapped_column(Days(), default=None)  # in order
    price: Mapped[float | None] = mapped_column(default=None)  # of one price_unit
    price_currency: Mapped[str | None] = mapped_column(String(3), default=None)  # ISO 4217
    price_unit: Mapped[str | None] = mapped_column(String(10), default=None)  # head | kg
    note: Mapped[str | None] = mapped_column(default=None)
    active: Mapped[bool] = mapped_column(default=True)  # false: called off
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        CheckConstraint("(heads IS NULL) <> (weight_kg IS NULL)", name="amount"),
        CheckConstraint("(weekdays IS NULL) <> (dates IS NULL)", name="days"),
        CheckConstraint("price_unit IN ('head', 'kg')", name="price_unit"),
    )


class Task(Base, kw_only=True):
    """Something to be done in a house on a day."""

    __tablename__ = "task"
    id: Mapped[int] = _id()
    house_id: Mapped[int] = _ref("house.id", index=False)
    # seed | wet | count | weigh | transplant | harvest | discard | order | clean | check
    kind: Mapped[str] = mapped_column(String(20))
    due_on: Mapped[date]  # local day of the house
    title: Mapped[str]
    succession_id: Mapped[int | None] = _optional_ref("succession.id")
    batch_id: Mapped[int | None] = _optional_ref("batch.id")
    cells: Mapped[int | None] = mapped_column(default=None)
    plants: Mapped[int | None] = mapped_column(default=None)
    note: Mapped[str | None] = mapped_column(default=None)
    done_at: Mapped[datetime | None] = mapped_column(default=None)  # none: open
    done_by: Mapped[str | None] = mapped_column(default=None)  # the token's or user's name
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    assigned_to: Mapped[str | None] = mapped_column(default=None)  # who is to do it; none: anyone
    section_id: Mapped[int | None] = _optional_ref("section.id", index=False)
    minutes_estimated: Mapped[float | None] = mapped_column(default=None)
    minutes_taken: Mapped[float | None] = mapped_column(default=None)
    # Of one that follows from a forecast, advice or event: what it is about, for example batch:7:harvest:1.
    subject: Mapped[str | None] = mapped_column(String(80), default=None)
    proposed_on: Mapped[date | None] = mapped_column(default=None)  # the day it was proposed for
    done_entry_id: Mapped[int | None] = _optional_ref("entry.id", index=False)  # the fact that ticked it off
    __table_args__ = (
        CheckConstraint(
            "kind IN ('seed', 'wet', 'count', 'weigh', 'transplant', 'harvest', 'discard', 'order', 'clean',"
            " 'check')",
            name="kind",
        ),
        CheckConstraint("(done_at IS NULL) = (done_by IS NULL)", name="done"),
        Index("ix_task_house_id_due_on", "house_id", "due_on"),
        Index("uq_task_house_id_subject", "house_id", "subject", unique=True),
    )


# --------------------------------------------------------------------------- what changes a house


class HouseEvent(Base, kw_only=True):
    """A dated change of a house that alters conditions or space. Days are local, both included."""

    __tablename__ = "house_event"
    id: Mapped[int] = _id()
    house_id: Mapped[int] = _ref("house.id", index=False)
    kind: Mapped[str] = mapped_column(String(20))  # shade | set_points | lamps | cleaning | closed
    starts_on: Mapped[date]
    ends_on: Mapped[date | None] = mapped_column(default=None)  # none: until another of its kind, or for good
    light_factor: Mapped[float | None] = mapped_column(default=None)  # shade: light with paint over without
    temp_heat_day_c: Mapped[float | None] = mapped_column(default=None)  # set_points; none: as before
    temp_heat_night_c: Mapped[float | None] = mapped_column(default=None)
    temp_vent_c: Mapped[float | None] = mapped_column(default=None)
    lamp_ppfd_umol: Mapped[float | None] = mapped_column(default=None)  # lamps; none: as before
    lamp_start_h: Mapped[float | None] = mapped_column(default=None)
    lamp_hours: Mapped[float | None] = mapped_column(default=None)
    zone_id: Mapped[int | None] = _optional_ref("zone.id")  # cleaning: which
    sites: Mapped[int | None] = mapped_column(default=None)  # cleaning: how many are out; none: all
    note: Mapped[str | None] = mapped_column(default=None)
    active: Mapped[bool] = mapped_column(default=True)  # false: called off
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        CheckConstraint("kind IN ('shade', 'set_points', 'lamps', 'cleaning', 'closed')", name="kind"),
        CheckConstraint("ends_on >= starts_on", name="days"),
        Index("ix_house_event_house_id_starts_on", "house_id", "starts_on"),
        Index(
            "uq_house_event_start",
            "house_id",
            "kind",
            "starts_on",
            unique=True,
            postgresql_where=text("active AND kind IN ('shade', 'set_points', 'lamps')"),
            sqlite_where=text("active AND kind IN ('shade', 'set_points', 'lamps')"),
        ),
    )


class WeatherForecast(Base, kw_only=True):
    """One hour of a weather forecast for a house, as one issue of it says."""

    __tablename__ = "weather_forecast"
    house_id: Mapped[int] = mapped_column(Id, ForeignKey("house.id"), primary_key=True, autoincrement=False)
    at: Mapped[datetime] = mapped_column(primary_key=True)  # start of the hour
    issued_at: Mapped[datetime] = mapped_column(primary_key=True)
    global_w_m2: Mapped[float | None] = mapped_column(default=None)  # mean over the hour
    temp_out_c: Mapped[float | None] = mapped_column(default=None)
    __table_args__ = ({"sqlite_with_rowid": False},)


# --------------------------------------------------------------------------- what is watched, and who hears of it


class ZoneLimit(Base, kw_only=True):
    """Limits of a quantity in a zone, in place of those of common practice."""

    __tablename__ = "zone_limit"
    zone_id: Mapped[int] = mapped_column(Id, ForeignKey("zone.id"), primary_key=True, autoincrement=False)
    quantity: Mapped[str] = mapped_column(String(30), primary_key=True)
    # In the unit kept; none: no limit on that side.
    low: Mapped[float | None] = mapped_column(default=None)
    high: Mapped[float | None] = mapped_column(default=None)
    urgent_low: Mapped[float | None] = mapped_column(default=None)
    urgent_high: Mapped[float | None] = mapped_column(default=None)
    after_minutes: Mapped[float] = mapped_column(default=15.0)  # how long it must last
    __table_args__ = (CheckConstraint("after_minutes >= 0", name="after_minutes"),)


class Receiver(Base, kw_only=True):
    """Someone, or something, that hears of alerts and news of a farm."""

    __tablename__ = "receiver"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    kind: Mapped[str] = mapped_column(String(10))  # webhook | mail | mqtt
    name: Mapped[str]
    target: Mapped[str]  # webhook: URL; mail: address; mqtt: first part of the topics
    created_at: Mapped[datetime]
    time_zone: Mapped[str]  # IANA, of quiet hours and digest
    house_ids: Mapped[list[int] | None] = mapped_column(JSON(none_as_null=True), default=None)  # none: every
    alert_kinds: Mapped[list[str] | None] = mapped_column(
        JSON(none_as_null=True), default=None
    )  # none: every
    min_severity: Mapped[str] = mapped_column(String(10), default="info")
    news: Mapped[list[str]] = mapped_column(default_factory=list)  # advice | forecast
    quiet_from: Mapped[str | None] = mapped_column(String(5), default=None)  # HH:MM, local; both or neither
    quiet_to: Mapped[str | None] = mapped_column(String(5), default=None)
    digest_at: Mapped[str | None] = mapped_column(String(5), default=None)  # mail: HH:MM, local; none: none
    last_digest_on: Mapped[date | None] = mapped_column(default=None)  # local day
    active: Mapped[bool] = mapped_column(default=True)
    secret: Mapped[str | None] = mapped_column(default=None)  # webhook: signs, so it is kept as it is
    old_secret: Mapped[str | None] = mapped_column(default=None)  # also signs, until ...
    old_secret_until: Mapped[datetime | None] = mapped_column(default=None)
    version: Mapped[int] = mapped_column(init=False)
    __mapper_args__ = {"version_id_col": version}
    __table_args__ = (
        UniqueConstraint("farm_id", "name"),
        CheckConstraint("kind IN ('webhook', 'mail', 'mqtt')", name="kind"),
        CheckConstraint("min_severity IN ('info', 'warning', 'urgent')", name="min_severity"),
        CheckConstraint("(quiet_from IS NULL) = (quiet_to IS NULL)", name="quiet"),
    )


class Notice(Base, kw_only=True):
    """One delivery of one event to one receiver: written with what it tells of, kept after it is sent."""

    __tablename__ = "notice"
    id: Mapped[int] = _id()
    receiver_id: Mapped[int] = _ref("receiver.id", index=False)
    event_id: Mapped[str] = mapped_column(String(40))  # the same at every try and for every receiver
    type: Mapped[str] = mapped_column(String(60))  # for example evenleaf.alert.opened
    source: Mapped[str] = mapped_column(String(80))  # for example /farms/1/houses/2
    subject: Mapped[str] = mapped_column(String(255))  # for example alerts/12; mqtt: the topic
    created_at: Mapped[datetime]
    due_at: Mapped[datetime]  # not before
    expires_at: Mapped[datetime]  # then it is given up
    data: Mapped[dict[str, Any] | None] = mapped_column(
        JSON(none_as_null=True), default=None
    )  # none: to be cleared
    alert_id: Mapped[int | None] = _optional_ref("alert.id")
    # waiting | held (for the digest) | sent | dead | replaced (by a newer one, or in a digest)
    state: Mapped[str] = mapped_column(String(10), default="waiting")
    attempts: Mapped[int] = mapped_column(default=0)
    leased_until: Mapped[datetime | None] = mapped_column(default=None)  # someone is sending it
    lease: Mapped[str | None] = mapped_column(String(40), default=None)  # who
    sent_at: Mapped[datetime | None] = mapped_column(default=None)
    last_error: Mapped[str | None] = mapped_column(default=None)
    refusals: Mapped[int] = mapped_column(default=0, server_default="0")  # of the attempts, by what it says
    __table_args__ = (
        CheckConstraint("state IN ('waiting', 'held', 'sent', 'dead', 'replaced')", name="state"),
        Index("ix_notice_receiver_id_state", "receiver_id", "state", "id"),
        Index(
            "ix_notice_waiting",
            "due_at",
            postgresql_where=text("state = 'waiting'"),
            sqlite_where=text("state = 'waiting'"),
        ),
    )


class RetainedTopic(Base, kw_only=True):
    """What a receiver's broker holds on a topic, or will once the outbox is empty."""

    __tablename__ = "retained_topic"
    receiver_id: Mapped[int] = mapped_column(
        Id, ForeignKey("receiver.id"), primary_key=True, autoincrement=False
    )
    topic: Mapped[str] = mapped_column(String(255), primary_key=True)
    house_id: Mapped[int] = _ref("house.id")
    digest: Mapped[str] = mapped_column(String(64))  # of the message


class CalendarFeed(Base, kw_only=True):
    """A secret address from which a calendar reads the work and harvests of a farm or house."""

    __tablename__ = "calendar_feed"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = _ref("farm.id")
    name: Mapped[str]
    secret_hash: Mapped[str] = mapped_column(String(64), unique=True)  # SHA-256 of 256 random bits
    created_at: Mapped[datetime]
    house_id: Mapped[int | None] = _optional_ref("house.id", index=False)  # none: every house
    revoked_at: Mapped[datetime | None] = mapped_column(default=None)


class ForecastDay(Base, kw_only=True):
    """The local day on which an event of a batch is expected, and how often that has moved."""

    __tablename__ = "forecast_day"
    batch_id: Mapped[int] = mapped_column(Id, ForeignKey("batch.id"), primary_key=True, autoincrement=False)
    event: Mapped[str] = mapped_column(String(20), primary_key=True)  # transplant | harvest
    told_day: Mapped[date]  # as receivers were last told
    changed_at: Mapped[datetime]
    day: Mapped[date | None] = mapped_column(default=None)  # none: not within the forecast's horizon any more
    sequence: Mapped[int] = mapped_column(default=0)


class Change(Base, kw_only=True):
    """That something changed: ids only, in the order of commits, for clients that follow. The oldest are dropped."""

    __tablename__ = "change"
    id: Mapped[int] = _id()
    farm_id: Mapped[int] = mapped_column(Id)
    kind: Mapped[str] = mapped_column(String(30))  # alert | advice | forecast | batch | ...
    row_id: Mapped[int] = mapped_column(Id)
    what: Mapped[str] = mapped_column(String(10))  # made | changed
    house_id: Mapped[int | None] = mapped_column(Id, default=None)
    batch_id: Mapped[int | None] = mapped_column(Id, default=None)


# --------------------------------------------------------------------------- how processes share work


class ChangeMark(Base, kw_only=True):
    """Counts the changes of what the forecasts of a house, of a farm's houses or of all are made from.

    Scope ``hour``: those of a house's newest hour, and when it is over.
    """

    __tablename__ = "change_mark"
    scope: Mapped[str] = mapped_column(String(10), primary_key=True)  # house | hour | farm | all
    row_id: Mapped[int] = mapped_column(Id, primary_key=True, autoincrement=False)
    changes: Mapped[int] = mapped_column(BigInteger)
    until: Mapped[datetime | None] = mapped_column(
        default=None
    )  # the latest moment from which a change counts


class JobLease(Base, kw_only=True):
    """Periodic work, or a house's part of it: for which time it was last claimed, by whom, and whether it is done."""

    __tablename__ = "job_lease"
    job: Mapped[str] = mapped_column(String(40), primary_key=True)
    subject_id: Mapped[int] = mapped_column(
        Id, primary_key=True, autoincrement=False
    )  # a house; 0: no one's part
    due_at: Mapped[datetime | None] = mapped_column(default=None)  # of the run; none: not claimed yet
    holder: Mapped[str | None] = mapped_column(String(80), default=None)
    epoch: Mapped[int] = mapped_column(BigInteger, default=0)  # counts the claims
    lease_until_s: Mapped[float] = mapped_column(default=0.0)  # since 1970 by the database's clock
    done: Mapped[bool] = mapped_column(default=True)
    mark: Mapped[str | None] = mapped_column(default=None)  # the marks of change when it was last concluded
    input_key: Mapped[str | None] = mapped_column(String(64), default=None)  # digest of what went in then
