"""``python -m seed_demo``: plays the invented farm against a running service, and reports in JSON lines.

The secrets and the clock come from the environment: ``EVENLEAF_TOKEN``, ``EVENLEAF_MQTT_URL`` and
``EVENLEAF_CLOCK``.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
from typing import get_args

from seed_demo.play import Played, PlayError, Progress, play
from seed_demo.scenario import Season, Sites, build, span
from service.clock import parse_clock


def main() -> int:
    """Play, and return the exit code."""
    arguments = _parser().parse_args()
    try:
        played = asyncio.run(_play(arguments))
    except (PlayError, ValueError) as error:
        print(f"seed_demo: {error}", file=sys.stderr)
        return 1
    _say(at=span(arguments.season)[1].isoformat(), share=1.0, readings=played.readings, facts=played.posts)
    return 0


async def _play(arguments: argparse.Namespace) -> Played:
    scenario = build(arguments.season, arguments.sites, arguments.seed)
    clock = parse_clock(os.environ.get("EVENLEAF_CLOCK"))
    token, mqtt_url = (os.environ.get(f"EVENLEAF_{name}", "") for name in ("TOKEN", "MQTT_URL"))
    if not token or not mqtt_url:
        raise PlayError("EVENLEAF_TOKEN and EVENLEAF_MQTT_URL must be set")
    return await play(arguments.url, token, mqtt_url, not arguments.mqtt311, scenario, clock, _report)


def _report(progress: Progress) -> None:
    _say(
        at=progress.at.isoformat(),
        share=round(progress.share, 3),
        readings=progress.readings,
        facts=progress.posts,
    )


def _say(**news: object) -> None:
    print(json.dumps(news), flush=True)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m seed_demo", description="Play the invented farm.")
    parser.add_argument(
        "--url", required=True, help="where the service answers, for example http://localhost:8717"
    )
    parser.add_argument("--season", choices=get_args(Season), default="autumn", help="which ten weeks")
    parser.add_argument(
        "--sites", choices=get_args(Sites), default="ample", help="how much room in the channels"
    )
    parser.add_argument("--seed", type=int, default=1, help="another seed is another year")
    parser.add_argument("--mqtt311", action="store_true", help="the broker does not speak MQTT 5")
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
