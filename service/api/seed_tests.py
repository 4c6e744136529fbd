"""What a germination test says, and what seed in store is expected to germinate. Nothing is kept."""

from __future__ import annotations

from typing import Annotated, Literal

from litestar import get, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, View, view
from service.api.operations import READ
from service.work import seed_tests


class SeedTest(Body):
    """A germination test."""

    germinated: Annotated[
        list[int],
        Meta(
            description="Seeds that germinated, of each replicate of 100; 4 or 2 replicates.",
            examples=[[92, 88, 95, 90]],
        ),
    ]
    kind: (
        Annotated[
            str | None,
            Meta(description="Kind of seed, to compare with the Federal Seed Act.", examples=["lettuce"]),
        ]
        | UnsetType
    ) = UNSET


class SeedTestView(View):
    """What a germination test says."""

    mean_percent: Annotated[float, Meta(description="Mean germination.")]
    range_percent: Annotated[int, Meta(description="Highest less lowest replicate.")]
    tolerated_range_percent: Annotated[
        int | None, Meta(description="The largest that chance explains, 7 CFR 201.55(a); null: no figure.")
    ]
    tolerated: Annotated[
        bool | None, Meta(description="False: repeat the test; null: the law has no figure for this mean.")
    ]
    standard_percent: Annotated[
        int | None,
        Meta(description="Least germination of the kind, 7 CFR 201.31 of 1994; null: no kind was said."),
    ]
    meets_standard: Annotated[bool | None, Meta(description="Whether the mean reaches it.")]


class ViabilityView(View):
    """What a lot is expected to germinate, by one set of published constants."""

    constants: Annotated[str, Meta(description="Whose constants.")]
    sigma_days: Annotated[float, Meta(description="Days over which the probit of viability falls by one.")]
    germination_percent: Annotated[float, Meta(description="Expected germination.")]


class ViabilityList(View):
    """The expectation by each set of constants: how far they lie apart is how little is known."""

    items: list[ViabilityView]


@post(
    "/seed-tests",
    operation_id="judgeSeedTest",
    opt={"changes_nothing": True},
    tags=["Seeds"],
    responses=READ,
    status_code=200,
    scope="read",
    sync_to_thread=False,
)
def judge_seed_test(data: JSONBody[SeedTest]) -> SeedTestView:
    """Judge a germination test: mean, whether its replicates agree, and the legal standard. Nothing is kept."""
    return view(SeedTestView, seed_tests.judge_test(data.given()))


@get(
    "/seed-viability",
    operation_id="getSeedViability",
    tags=["Seeds"],
    responses=READ,
    sync_to_thread=False,
)
def get_seed_viability(
    kind: Annotated[Literal["lettuce", "onion", "beet"], QueryParameter(description="Kind of seed.")],
    germination_percent: Annotated[
        float,
        QueryParameter(
            name="germinationPercent", description="Germination at the start, above 0 to below 100."
        ),
    ],
    moisture_percent: Annotated[
        float,
        QueryParameter(name="moisturePercent", description="Moisture, % of the fresh weight, 5 to 25."),
    ],
    temp_c: Annotated[float, QueryParameter(name="tempC", description="Temperature of the store, °C.")],
    days: Annotated[int, QueryParameter(description="Days in store.")],
) -> ViabilityList:
    """Look ahead at how seed ages in store (Ellis & Roberts 1980). It warns; it does not promise."""
    found = seed_tests.expect_viability(
        {
            "kind": kind,
            "germination_percent": germination_percent,
            "moisture_percent": moisture_percent,
            "temp_c": temp_c,
            "days": days,
        }
    )
    return ViabilityList(items=[view(ViabilityView, v) for v in found])
