"""The kinds of alerts there are: what a receiver may ask for, and what the pages have words for."""

from __future__ import annotations

KINDS = (
    "seeding_interval",
    "harvest_spacing",
    "window_missed",
    "seedlings_too_young",
    "sites_short",
    "sites_overfull",
    "nursery_overfull",
    "harvest_not_reached",
    "light_off_plan",
    "temp_off_plan",
    "flow_lost",
    "solution_out_of_limits",
    "seed_heat",
    "sensor_silent",
    "conditions_silent",
    "seed_old",
    "seed_store_heat",
    "seed_running_out",
    "seed_failing",
    "sensor_stuck",
    "sensor_out_of_range",
    "sensor_jumping",
    "sensor_light_at_night",
    "sensor_dark_at_noon",
    "sensors_disagree",
    "sensor_drift",
    "sensor_clock",
)
