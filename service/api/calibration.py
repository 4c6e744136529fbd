"""What a house's counts, weights and cuts say of its crops."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

import numpy as np
from litestar import get
from msgspec import Meta

from service.api.bodies import View
from service.api.operations import READ, Asker, Now, RowId, Uow
from service.work.calibration import Belief, CellCalibration, Piece, house_calibration

_P90 = 1.2816  # of a standard normal

Readiness = Literal["early", "ready", "held"]


class MultiplierView(View):
    """A multiplier of what the crop profile says, as 10, 50 and 90 % points."""

    p10: float
    p50: float
    p90: float
    log_sd: Annotated[float, Meta(description="Standard deviation of its natural logarithm.")]


class BeliefView(View):
    """One multiplier: before any evidence, and after."""

    prior: MultiplierView
    posterior: Annotated[MultiplierView, Meta(description="What batches of this cultivar and house share.")]
    batch_spread: Annotated[
        float, Meta(description="Standard deviation of the logarithm from batch to batch.")
    ]
    batches: Annotated[
        float, Meta(description="How many thoroughly measured batches the evidence below is worth.")
    ]
    evidence: Annotated[int, Meta(description="Pieces of evidence below; others of the farm count too.")]
    stage_drift: Annotated[
        float,
        Meta(
            description="Of growth: logarithm by which weights of young heads say more than those of ready ones, for"
            " each e-fold of weight between; learnt by crop, for what is seeded now, and taken out of the evidence."
            " 0 for others."
        ),
    ]


class EvidenceView(View):
    """Something recorded of a batch, held against what its measured hours give at multiplier 1."""

    batch_id: int
    batch: Annotated[str, Meta(description="Code of the batch.")]
    entry_id: Annotated[int, Meta(description="The entry of its ledger.")]
    parameter: Annotated[
        Literal["leaf", "growth", "emergence"], Meta(description="The multiplier it is about.")
    ]
    kind: Annotated[
        Literal["emergence_counted", "leaves_counted", "weighed", "cut"],
        Meta(description="cut: a harvest without a weight, which says when heads were ready."),
    ]
    at: datetime
    readiness: Readiness | None
    observed: Annotated[
        float | None,
        Meta(
            description="Days to emergence, true leaves, or g a head, of a crop that regrows what a cut takes off it;"
            " null: not weighed."
        ),
    ]
    expected: Annotated[float | None, Meta(description="The same at multiplier 1.")]
    low: Annotated[float | None, Meta(description="Least multiplier it speaks for; null: open.")]
    high: Annotated[float | None, Meta(description="Greatest multiplier; the same as low: measured.")]
    log_sd: Annotated[float, Meta(description="Error, as standard deviation of the logarithm.")]
    measured: Annotated[
        float, Meta(description="Share of the hours since emergence that was measured, 0 to 1.")
    ]
    trust: Annotated[float, Meta(description="1: it fits the rest; towards 0: it is taken to be wrong.")]
    weight: Annotated[
        float, Meta(description="How far the posterior moves for each unit that this piece moves, 0 to 1.")
    ]


class CultivarCalibration(View):
    """A cultivar in the house, or what is grown of a crop without a cultivar said."""

    crop_id: int
    crop: str
    cultivar_id: int | None
    cultivar: str | None
    leaf_rate: BeliefView
    growth: BeliefView
    emergence: Annotated[BeliefView, Meta(description="Rate of emergence.")]
    evidence: Annotated[list[EvidenceView], Meta(description="Of this house, newest first.")]


class CalibrationView(View):
    """What is believed of the crops of a house, and why."""

    house_id: int
    items: list[CultivarCalibration]


@get("/houses/{house_id:int}/calibration", operation_id="getCalibration", tags=["House"], responses=READ)
async def get_calibration(uow: Uow, clock: Now, access: Asker, house_id: RowId) -> CalibrationView:
    """Read how fast crops grow in a house against their profiles: before evidence, the evidence, and after it."""
    found = await house_calibration(uow, clock, access, house_id)
    return CalibrationView(house_id=house_id, items=[_cultivar(item) for item in found])


def _cultivar(found: CellCalibration) -> CultivarCalibration:
    return CultivarCalibration(
        crop_id=found.crop.id,
        crop=found.crop.name,
        cultivar_id=found.cultivar_id,
        cultivar=found.cultivar,
        leaf_rate=_belief(found.leaf),
        growth=_belief(found.growth),
        emergence=_belief(found.emergence),
        evidence=[_evidence(piece) for piece in found.evidence],
    )


def _belief(found: Belief) -> BeliefView:
    return BeliefView(
        prior=_multiplier(0.0, found.prior_sd),
        posterior=_multiplier(found.mean, found.sd),
        batch_spread=round(found.batch_spread, 4),
        stage_drift=round(found.stage_drift, 4),
        batches=round(found.batches, 2),
        evidence=found.evidence,
    )


def _multiplier(mean: float, sd: float) -> MultiplierView:
    p10, p50, p90 = (round(float(np.exp(mean + z * sd)), 4) for z in (-_P90, 0.0, _P90))
    return MultiplierView(p10=p10, p50=p50, p90=p90, log_sd=round(sd, 4))


def _evidence(piece: Piece) -> EvidenceView:
    said = piece.said
    return EvidenceView(
        batch_id=piece.batch_id,
        batch=piece.batch_code,
        entry_id=said["entryId"],
        parameter=said["parameter"],
        kind=said["kind"],
        at=datetime.fromisoformat(said["at"]),
        readiness=said["readiness"],
        observed=said["observed"],
        expected=said["expected"],
        low=_ratio(said["low"]),
        high=_ratio(said["high"]),
        log_sd=said["sd"],
        measured=said["measured"],
        trust=round(piece.trust, 3),
        weight=round(piece.weight, 4),
    )


def _ratio(log_multiplier: float | None) -> float | None:
    return None if log_multiplier is None else round(float(np.exp(log_multiplier)), 4)
