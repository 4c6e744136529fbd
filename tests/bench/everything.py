"""Every bench, one after the other, and one table of what they found: ``docs/benchmarks.md``.

Each bench runs as a process of its own and leaves its figures as a file (``.bench/NAME.json``, or ``--folder``). One
that has its file, made at the same size, is not run again, so that a run that was broken off goes on where it was; one
that fails does not keep the others from running. The table is made of the files that are there.
"""

from __future__ import annotations

import json
import math
import os
import platform
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
TABLE = ROOT / "docs" / "benchmarks.md"
FOLDER = ROOT / ".bench"
_LONGEST_S = {True: 300.0, False: 3 * 3600.0}

Found = Mapping[str, Any]
Rows = Callable[[Found], Iterator[tuple[str, str, str, str, str]]]
"""Of what a bench found: what was measured, ours, beside what, theirs, the ratio."""


@dataclass(frozen=True)
class Bench:
    """A bench, at its whole size and at a small one."""

    name: str
    about: str
    rows: Rows
    quick: tuple[str, ...] = ()
    whole: tuple[str, ...] = ()
    postgresql: bool = False
    """Whether it takes an empty database of PostgreSQL."""


def number(value: float, digits: int = 3) -> str:
    """Return a figure to so many digits, without an exponent."""
    if not math.isfinite(value):
        return "-"
    if abs(value) >= 10 ** (digits - 1):
        return f"{value:,.0f}"
    return f"{value:.{digits}g}" if abs(value) >= 1e-3 or value == 0 else f"{value:.{digits}f}"


def _forecast(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    each = found["linearMsABatch"]
    sizes = found["linearBatches"]
    yield (
        "forecast of a house, one core, a lane-hour (one batch in one member for an hour)",
        f"{number(found['ratioToFloor'] * found['floorNsALaneHour'])} ns",
        "one exponential, one division, two multiply-adds in numpy",
        f"{number(found['floorNsALaneHour'])} ns",
        number(found["ratioToFloor"]),
    )
    yield (
        "the same crop to its harvest",
        "",
        "`scipy.integrate.solve_ivp`, lane by lane",
        f"harvests at most {number(found['solveIvpHarvestApartHours'])} h apart",
        f"{number(found['ratioToSolveIvp'])} times as fast",
    )
    yield (
        f"cost a batch, of {sizes[-1]} batches",
        f"{number(each[-1])} ms",
        f"a batch of {sizes[1]}",
        f"{number(each[1])} ms",
        number(each[-1] / each[1]),
    )
    yield ("peak of memory", f"{number(found['peakMb'])} MB", "", "", "")


_LEADS = {"transplanting", "28 days before", "14 days before", "7 days before"}


def _replay(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    for trial in found["replays"]:
        for line in trial["lines"]:
            if (line["event"], line["season"]) != ("harvest", "all") or line["lead"] not in _LEADS:
                continue
            said = f"{trial['house']} house, harvest forecast at {line['lead']}, mean error"
            yield (
                said,
                f"{number(line['mae'])} d",
                "who knows the true crop, not the weather to come",
                f"{number(line['rules']['oracle'])} d",
                number(line["toOracle"]),
            )
            records = line["rules"]["same records"]
            yield (
                "",
                "",
                "who knows its law, and of plants what was recorded",
                f"{number(records)} d",
                number(line["mae"] / records),
            )
            yield (
                "",
                "",
                "the best rule without a model",
                f"{number(line['bestNaive'])} d",
                number(line["mae"] / line["bestNaive"]),
            )


def _plan(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    yield (
        f"plan of {found['days']} days, {found['demands']} demands",
        f"{number(found['seconds'])} s",
        "proven bound of the solver",
        f"gap {number(100 * found['gap'])} %",
        "",
    )


def _ingest(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    for kind, shown in (("postgresql", "PostgreSQL"), ("sqlite", "SQLite")):
        of = found[kind]
        yield (
            f"messages to durable rows, {shown}",
            f"{number(of['messagesPerS'])} /s",
            "`mosquitto_sub` (C), draining only",
            f"{number(found['mosquittoSubPerS'])} /s",
            number(of["ratioToMosquittoSub"]),
        )
        yield (
            f"the same with the library's own reader, {shown}",
            f"{number(of['stockMessagesPerS'])} /s",
            "paho-mqtt, draining only",
            f"{number(found['pahoDrainPerS'])} /s",
            number(of["ratioToPahoDrain"]),
        )
        yield (
            f"rows in arrays of fifty, {shown}",
            f"{number(of['arrayRowsPerS'])} /s",
            "`COPY` and merge on PostgreSQL",
            f"{number(found['copyMergePerS'])} /s",
            number(of["arrayRatioToCopyMerge"]),
        )
        yield (
            f"500 messages a second, arrival to commit, {shown}",
            f"50 %: {number(of['steadyP50Ms'])} ms, 99 %: {number(of['steadyP99Ms'])} ms",
            "",
            "",
            "",
        )


def _sensors(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    for kind, shown in (("sqlite", "SQLite"), ("postgresql", "PostgreSQL")):
        of = found[kind]
        yield (
            f"{found['days']} days of {found['sensors']} sensors at the API, {shown}",
            f"{number(of['daysMs'])} ms",
            "the same from hours, without kept days",
            f"{number(of['daysFromHoursMs'])} ms",
            number(of["daysMs"] / of["daysFromHoursMs"]),
        )


def _api(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    for name in ("line", "batches", "advice"):
        of = found[name]
        yield (
            f"reads of {name}, {found['houses']} houses, {found['years']} years of hours",
            f"99 %: {number(of['p99Ms'])} ms",
            "an empty handler of the same framework, reads a second",
            f"{number(found['emptyPerS'])} /s",
            number(of["ratioToEmptyHandler"]),
        )


def _houses(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    cold = found["coldSecondsAHouse"]
    yield (
        f"re-forecast from cold, {found['batches']} batches, {found['members']} members, seconds of one core",
        f"{number(cold)} s a house",
        "a thousand houses on two cores, by arithmetic",
        f"{number(found['thousandHousesColdMinutesOnTwoCores'])} min",
        "",
    )
    where = f"{found['processes']} processes" if found["processes"] else "one thread"
    yield (f"{found['houses']} houses from cold, {where}", f"{number(found['coldMinutes'])} min", "", "", "")
    yield (
        f"cost a house, of {found['houses']} houses",
        f"{number(cold)} s",
        "of a quarter as many",
        f"{number(cold / found['coldRatioToAQuarterOfTheHouses'])} s",
        number(found["coldRatioToAQuarterOfTheHouses"]),
    )
    yield (
        "a run with nothing new",
        f"{number(found['nothingNewMsAHouse'])} ms a house",
        "from cold",
        f"{number(1e3 * cold)} ms",
        f"{found['nothingNewRatioToCold']:.5f}",
    )


def _storage(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    # 8 bytes of time, 8 of value, 4 of sensor: what a reading must take without a key or a row's head.
    for kind, shown in (("sqlite", "SQLite"), ("postgresql", "PostgreSQL")):
        if f"{kind}BytesAReading" in found:
            size = found[f"{kind}BytesAReading"]
            yield (
                f"bytes a reading, indexes included, {shown}",
                number(size),
                "time, value and sensor as plain numbers",
                "20",
                number(size / 20),
            )
            yield (f"bytes an hour of a zone, {shown}", number(found[f"{kind}BytesAnHour"]), "", "", "")


def _chaos(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    kills = ", ".join(f"{count} of a {name}" for name, count in sorted(found["kills"].items()))
    lasted = f"{number(found['seconds'])} s"
    yield (f"killed at random for {lasted}: {kills}", "", "", "", "")
    yield (
        "readings there, each once",
        number(found["readings"], 9),
        "messages the broker took",
        number(found["messages"], 9),
        number(found["readings"] / found["messages"]),
    )
    runs = sum(found["scheduledRuns"].values())
    yield ("scheduled runs ended, each once", number(runs, 9), "", "", "")
    yield ("alerts, each opened, ended and told once", number(sum(found["alerts"].values()), 9), "", "", "")
    yield (
        "records over HTTP, each once",
        number(found["entries"], 9),
        "requests sent again after a break",
        number(found["requestsSentAgain"], 9),
        "",
    )


def _soak(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    load = f"{number(found['messagesS'])} messages and {number(found['requestsS'])} requests a second"
    said = f"{found['sensors']:,} sensors, {load}"
    for name in ("serve", "ingest"):
        yield (
            f"memory of `{name}` in the last third of {number(found['seconds'], 4)} s ({said})",
            f"{number(found[f'{name}Mb'])} MB",
            "in the first third",
            "",
            f"{found[f'{name}Growth']:.3f}",
        )
    yield (
        "cores used",
        f"service {number(found['serveCores'])}, ingest {number(found['ingestCores'])}",
        "",
        "",
        "",
    )


def _pages(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    for name, page in found["pages"].items():
        yield (
            f"{name}, {found['houses']} houses, {found['years']} years of hours",
            f"first content {number(page['firstContentMs'])} ms, drawn in {number(page['drawMs'])} ms",
            "",
            "",
            "",
        )


def _plain(found: Found) -> Iterator[tuple[str, str, str, str, str]]:
    """Yield the figures as they are named, of a bench that stands beside nothing."""
    for name, value in found.items():
        if isinstance(value, Mapping):
            yield from ((f"{name}: {row[0]}", *row[1:]) for row in _plain(value))
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield (name, number(value), "", "", "")


BENCHES = (
    Bench("storage", "Bytes on disk", _storage, postgresql=True),
    Bench(
        "forecast",
        "Forecast of one house",
        _forecast,
        quick=("--batches", "20", "--members", "50", "--days", "120", "--repeats", "2"),
    ),
    Bench(
        "houses", "Many houses", _houses, quick=("--houses", "4", "--batches", "20"), whole=("--houses", "20")
    ),
    Bench("plan", "Planning", _plan),
    Bench(
        "sensors",
        "Days of many sensors",
        _sensors,
        quick=("--sensors", "20", "--days", "10", "--repeats", "5"),
    ),
    Bench("api", "Reads over HTTP", _api, quick=("--houses", "10", "--years", "1", "--seconds", "3")),
    Bench(
        "pages",
        "Pages in Chromium",
        _pages,
        quick=("--houses", "10", "--years", "1", "--visits", "2"),
    ),
    Bench("trace", "A trace from one seed lot", _plain, quick=("--batches", "50", "--repeats", "10")),
    Bench(
        "ingest",
        "Readings in",
        _ingest,
        quick=("--messages", "30000", "--repeats", "1", "--fuzzed", "0"),
        whole=("--fuzzed", "0"),
    ),
    Bench(
        "replay",
        "How far off forecasts are (simulated houses on real weather)",
        _replay,
        quick=("--years", "1", "--every", "13", "--members", "20"),
    ),
    Bench("chaos", "Killed at random", _chaos, quick=("60",), whole=("3600",)),
    Bench("soak", "Ten times a large farm's load", _soak, quick=("60",), whole=("3600",)),
)


# --------------------------------------------------------------------------- running


def run_all(folder: Path, *, quick: bool, again: bool, only: list[str] | None, file: Path = TABLE) -> int:
    """Run what has no file yet, and write the table; return how many failed."""
    folder.mkdir(parents=True, exist_ok=True)
    failed = 0
    for bench in BENCHES:
        if only and bench.name not in only:
            continue
        kept = folder / f"{bench.name}.json"
        if not again and (known := _known(kept)) and known["quick"] == quick and "found" in known:
            print(f"{bench.name}: there already", flush=True)
            continue
        print(f"{bench.name} ...", flush=True)
        done = _run(bench, quick)
        kept.write_text(json.dumps(done, indent=1) + "\n", encoding="utf-8")
        failed += "found" not in done
        print(f"{bench.name}: {done.get('failed') or 'done'} in {done['seconds']:.0f} s", flush=True)
    write_table(folder, file)
    return failed


def _known(file: Path) -> dict[str, Any] | None:
    try:
        known: dict[str, Any] = json.loads(file.read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return known


def _run(bench: Bench, quick: bool) -> dict[str, Any]:
    given = list(bench.quick if quick else bench.whole)
    done: dict[str, Any] = {
        "bench": bench.name,
        "quick": quick,
        "arguments": given,
        "at": datetime.now(UTC).isoformat(timespec="minutes"),
        "loadBefore": round(os.getloadavg()[0], 1),
        "machine": machine(),
    }
    begun = time.monotonic()
    try:
        with _database(bench.postgresql) as more:
            ended = subprocess.run(
                [sys.executable, "-m", "tests.bench", bench.name, *given, *more, "--json"],
                cwd=ROOT,
                check=False,
                capture_output=True,
                text=True,
                timeout=_LONGEST_S[quick],
            )
        if ended.returncode:
            done["failed"] = (ended.stderr.strip().splitlines() or ["no word"])[-1][:500]
        else:
            done["found"] = json.loads(ended.stdout.strip().splitlines()[-1])
    except (subprocess.TimeoutExpired, ValueError, OSError) as error:
        done["failed"] = f"{type(error).__name__}: {error}"[:500]
    done["seconds"] = round(time.monotonic() - begun, 1)
    return done


class _database:  # noqa: N801 - used as a context
    """An empty database of a PostgreSQL of one's own, as an argument; where there is none, without."""

    def __init__(self, wanted: bool) -> None:
        self._wanted = wanted
        self._service: Any = None

    def __enter__(self) -> list[str]:
        from tests import services

        if not self._wanted:
            return []
        self._service = services.postgresql(os.environ)
        try:
            return ["--postgresql", self._service.__enter__()]
        except services.Unavailable:
            self._service = None
            return []

    def __exit__(self, *error: object) -> None:
        if self._service is not None:
            self._service.__exit__(None, None, None)


def machine() -> dict[str, str]:
    """Return what the figures were measured on; not whose it is."""
    memory = processor = ""
    try:
        for line in Path("/proc/meminfo").read_text("ascii").splitlines():
            if line.startswith("MemTotal:"):
                memory = f"{int(line.split()[1]) / 1024**2:.0f} GB"
        for line in Path("/proc/cpuinfo").read_text("utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                processor = line.partition(":")[2].strip()
    except OSError:
        pass  # not Linux
    return {
        "cores": str(os.cpu_count()),
        "processor": processor or platform.machine(),
        "memory": memory or "not known",
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        **{name: shown for name in ("postgres", "mosquitto") if (shown := _version(name))},
    }


def _version(name: str) -> str:
    folders = [os.environ.get("PATH", ""), "/usr/sbin", *map(str, Path("/usr/lib/postgresql").glob("*/bin"))]
    binary = shutil.which(name, path=os.pathsep.join(folders))
    if binary is None:
        return ""
    option = "--version" if name == "postgres" else "-h"
    said = subprocess.run([binary, option], check=False, capture_output=True, text=True).stdout
    words = (said.splitlines() or [""])[0].split()
    return next((word for word in words if word[0].isdigit()), "")


# --------------------------------------------------------------------------- the table


def write_table(folder: Path, file: Path = TABLE) -> None:
    """Write the table of all that is in the folder."""
    done = {bench.name: _known(folder / f"{bench.name}.json") for bench in BENCHES}
    lines = [
        "# Benchmarks",
        "",
        "Written by `python -m tests.bench all`; do not edit. What is slower on another machine is so on both sides of",
        "a line: ratios keep, figures do not. Latencies are by the clock, and worth as much as the machine was quiet:",
        "the load when a bench began is said beside it.",
        "",
    ]
    machines = {json.dumps(d["machine"], sort_keys=True) for d in done.values() if d}
    for one in sorted(machines):
        of = json.loads(one)
        named = (("postgres", "PostgreSQL"), ("mosquitto", "Mosquitto"))
        servers = ", ".join(f"{name} {of[key]}" for key, name in named if key in of)
        lines.append(
            f"Machine: {of['cores']} cores ({of['processor']}), {of['memory']} of memory, {of['system']},"
            f" Python {of['python']}{', ' + servers if servers else ''}."
        )
    lines.append("")
    for bench in BENCHES:
        lines += _section(bench, done[bench.name])
    file.write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8")


def _section(bench: Bench, done: dict[str, Any] | None) -> list[str]:
    lines = [f"## {bench.about}", ""]
    command = " ".join(["python -m tests.bench", bench.name, *(done or {}).get("arguments", [])])
    if done is None:
        return [*lines, f"Not measured here: `{command}`.", ""]
    said = f"`{command}`, {done['at'][:10]}, {done['seconds']:.0f} s, load before {done['loadBefore']}"
    if done["quick"]:
        said += "; the small size of `--quick`"
    if "found" not in done:
        return [*lines, f"{said}: failed, {done['failed']}", ""]
    lines += [f"{said}.", "", "| measured | Evenleaf | beside | that | ratio |", "|---|---|---|---|---|"]
    lines += [f"| {' | '.join(row)} |" for row in bench.rows(done["found"])]
    return [*lines, ""]
