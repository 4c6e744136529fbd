"""``python -m tests.bench``: measurements that a change should not make worse."""

import argparse
import json
import os
import sys
from pathlib import Path

SINGLE_CORE = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    forecast = commands.add_parser("forecast", help="forecast one house on a single core")
    forecast.add_argument("--json", action="store_true", help="print one JSON object")
    forecast.add_argument("--batches", type=int, default=60, help="live batches (default 60)")
    forecast.add_argument("--members", type=int, default=200, help="members of the outlook (default 200)")
    forecast.add_argument("--days", type=int, default=150, help="how far the outlook reaches (default 150)")
    forecast.add_argument(
        "--repeats", type=int, default=5, help="runs, of which the fastest counts (default 5)"
    )
    again = commands.add_parser(
        "replay", help="replay the simulated houses on real weather (a quarter of an hour)"
    )
    again.add_argument("--json", action="store_true", help="print one JSON object")
    again.add_argument("--house", choices=("unlit", "lit"), help="only this one")
    again.add_argument("--first", type=int, default=1976, help="first year of history (default 1976)")
    again.add_argument("--years", type=int, default=10, help="test years after two of history (default 10)")
    again.add_argument(
        "--every", type=int, default=1, help="look at every so many weekly batches (default 1)"
    )
    again.add_argument("--members", type=int, default=60, help="members of the outlook (default 60)")
    loop = commands.add_parser(
        "loop", help="follow the advice in simulated years, against a fixed interval and foresight"
    )
    loop.add_argument("--json", action="store_true", help="print one JSON object")
    loop.add_argument("--first", type=int, default=1976, help="first year of history (default 1976)")
    loop.add_argument("--years", type=float, default=5, help="years after two of history (default 5)")
    loop.add_argument("--every", type=int, default=3, help="days between two looks (default 3)")
    loop.add_argument("--members", type=int, default=12, help="members of the outlook (default 12)")
    plan = commands.add_parser("plan", help="plan 26 weeks of three houses on a single core")
    plan.add_argument("--json", action="store_true", help="print one JSON object")
    api = commands.add_parser("api", help="read over HTTP from 50 houses with 5 years of data")
    api.add_argument("--json", action="store_true", help="print one JSON object")
    api.add_argument("--houses", type=int, default=50, help="houses (default 50)")
    api.add_argument("--years", type=int, default=5, help="years of data (default 5)")
    api.add_argument("--seconds", type=float, default=20.0, help="length of each measurement (default 20)")
    api.add_argument("--postgresql", metavar="URL", help="an empty database to use instead of SQLite")
    pages = commands.add_parser("pages", help="look at the pages of 50 houses in Chromium")
    pages.add_argument("--json", action="store_true", help="print one JSON object")
    pages.add_argument("--houses", type=int, default=50, help="houses (default 50)")
    pages.add_argument("--years", type=int, default=5, help="years of data (default 5)")
    pages.add_argument("--visits", type=int, default=5, help="visits of each page (default 5)")
    houses = commands.add_parser("houses", help="re-forecast many houses, from cold and with nothing new")
    houses.add_argument("--json", action="store_true", help="print one JSON object")
    houses.add_argument("--houses", type=int, default=20, help="houses (default 20)")
    houses.add_argument("--batches", type=int, default=60, help="live batches in each (default 60)")
    houses.add_argument("--members", type=int, default=50, help="members of the outlook (default 50)")
    houses.add_argument("--processes", type=int, default=0, help="to compute in; 0: a thread (default 0)")
    houses.add_argument("--postgresql", metavar="URL", help="an empty database to use instead of SQLite")
    storage = commands.add_parser("storage", help="bytes that a reading and an hour take on disk")
    storage.add_argument("--json", action="store_true", help="print one JSON object")
    storage.add_argument("--postgresql", metavar="URL", help="an empty database to measure as well")
    taking = commands.add_parser(
        "ingest", help="drain backlogs beside what broker, client and database do alone"
    )
    taking.add_argument("--json", action="store_true", help="print one JSON object")
    taking.add_argument("--messages", type=int, default=300_000, help="messages a backlog (default 300000)")
    taking.add_argument("--repeats", type=int, default=3, help="runs, of which the median counts (default 3)")
    taking.add_argument("--fuzzed", type=int, default=1_000_000, help="fuzzed payloads (default 1000000)")
    taking.add_argument(
        "--faults", action="store_true", help="also try the faults at their whole size (some minutes)"
    )
    sensing = commands.add_parser("sensors", help="read a month of many sensors' days at the API")
    sensing.add_argument("--json", action="store_true", help="print one JSON object")
    sensing.add_argument("--sensors", type=int, default=100, help="sensors, one a zone (default 100)")
    sensing.add_argument("--days", type=int, default=30, help="days of minute data (default 30)")
    sensing.add_argument("--repeats", type=int, default=20, help="requests, of which the median counts")
    trace = commands.add_parser("trace", help="trace one seed lot to all who got heads of it, at the API")
    trace.add_argument("--json", action="store_true", help="print one JSON object")
    trace.add_argument("--batches", type=int, default=200, help="batches of the seed lot (default 200)")
    trace.add_argument("--repeats", type=int, default=40, help="requests, of which the median counts")
    for name, text in (
        ("chaos", "kill replicas and slots at random under load, and see that all is there once"),
        ("soak", "ten times a large farm's load: memory, errors"),
    ):
        long = commands.add_parser(name, help=text)
        long.add_argument("seconds", type=float, nargs="?", default=3600.0, help="how long (default 3600)")
        long.add_argument("--json", action="store_true", help="print one JSON object")
        if name == "chaos":
            long.add_argument("--seed", type=int, default=1, help="another order of kills (default 1)")
        else:
            long.add_argument("--batches", type=int, default=6, help="live batches of each house (default 6)")
    every = commands.add_parser("all", help="run every bench and write docs/benchmarks.md")
    every.add_argument("--quick", action="store_true", help="small sizes: a quarter of an hour together")
    every.add_argument("--again", action="store_true", help="also those that have their figures already")
    every.add_argument("--only", action="append", metavar="NAME", help="only this one; may be said again")
    every.add_argument("--folder", type=Path, help="where figures are kept (default .bench)")
    every.add_argument("--table", action="store_true", help="run nothing; make the table of what is kept")
    given = parser.parse_args(argv)

    if given.command == "all":
        from tests.bench import everything

        folder = given.folder or everything.FOLDER
        if given.table:
            everything.write_table(folder)
            return 0
        failed = everything.run_all(folder, quick=given.quick, again=given.again, only=given.only)
        return 1 if failed else 0
    for variable in SINGLE_CORE:  # before numpy is loaded
        os.environ[variable] = "1"
    if given.command == "replay":
        return _replay(given)
    if given.command == "loop":
        return _loop(given)
    found = _figures(given)
    if given.json:
        print(json.dumps(found))
    else:
        for key, value in found.items():
            print(f"{key:28} {value if not isinstance(value, float) else f'{value:,.4g}'}")
    return 0


def _figures(given: argparse.Namespace) -> dict[str, object]:
    found: dict[str, object]
    if given.command == "ingest":
        from tests.bench.ingest import faults, measure

        found = measure(given.messages, given.repeats, given.fuzzed)
        if given.faults:
            found["faults"] = faults()
    elif given.command == "sensors":
        from tests.bench.sensors import measure as measure_sensors

        found = measure_sensors(given.sensors, given.days, given.repeats)
    elif given.command == "trace":
        from tests.bench.trace import measure as measure_trace

        found = measure_trace(given.batches, given.repeats)
    elif given.command == "plan":
        from tests.bench.plan import run

        found = dict(run())
    elif given.command == "api":
        from tests.bench.api import measure as measure_api

        found = measure_api(given.houses, given.years, given.seconds, given.postgresql)
    elif given.command == "pages":
        from tests.bench.pages import measure as measure_pages

        found = measure_pages(given.houses, given.years, given.visits)
    elif given.command == "houses":
        from tests.bench.houses import measure as measure_houses

        found = measure_houses(given.houses, given.batches, given.members, given.processes, given.postgresql)
    elif given.command in {"chaos", "soak"}:
        from tests.bench.live import measure as measure_live

        more = {"seed": given.seed} if given.command == "chaos" else {"batches": given.batches}
        found = measure_live(given.command, given.seconds, **more)
    elif given.command == "storage":
        from tests.bench.storage import measure as measure_storage

        found = measure_storage(given.postgresql)
    else:
        from tests.bench.forecast import measure

        found = measure(given.batches, given.members, given.days, given.repeats)
    return found


def _replay(given: argparse.Namespace) -> int:
    from tests.bench.replay import HOUSES, measure
    from tests.simulated.trial import as_json, table

    houses = [given.house] if given.house else HOUSES
    done = measure(houses, given.first, given.years, given.every, given.members)
    if given.json:
        print(json.dumps({"replays": [as_json(trial) for trial in done]}))
    else:
        print("\n\n".join("\n".join(table(trial)) for trial in done))
    return 0


def _loop(given: argparse.Namespace) -> int:
    from service.work.replay.compare import as_json, table
    from tests.bench.loop import measure

    done = measure(given.first, given.years, given.every, given.members)
    print(json.dumps(as_json(done)) if given.json else "\n".join(table(done)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
