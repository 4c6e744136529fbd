"""The run of all benches: what was measured is not measured again, what fails stops nobody, and one table says it."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any

import pytest

from tests.bench import everything

HOUSES = {
    "houses": 20,
    "batches": 60,
    "members": 50,
    "coldSecondsAHouse": 1.6,
    "processes": 0,
    "coldMinutes": 0.5,
    "thousandHousesColdMinutesOnTwoCores": 13.3,
    "coldRatioToAQuarterOfTheHouses": 0.8,
    "nothingNewMsAHouse": 1.25,
    "nothingNewRatioToCold": 0.00078,
}


@pytest.fixture
def runs(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Have benches that take no time, of which one fails; returns the names of those that ran."""
    names: list[str] = []

    def run(bench: everything.Bench, quick: bool) -> dict[str, Any]:
        names.append(bench.name)
        done = {"bench": bench.name, "quick": quick, "arguments": ["--houses", "20"], "seconds": 3.0}
        done |= {"at": "2026-11-25T19:00+00:00", "loadBefore": 0.4, "machine": everything.machine()}
        return {**done, "failed": "no disk"} if bench.name == "plan" else {**done, "found": HOUSES}

    monkeypatch.setattr(everything, "_run", run)
    return names


def test_what_is_there_is_kept_and_what_failed_is_tried_again(tmp_path: Path, runs: list[str]) -> None:
    table = tmp_path / "table.md"

    def all_of(*only: str, quick: bool = False, again: bool = False) -> int:
        runs.clear()
        return everything.run_all(tmp_path, quick=quick, again=again, only=[*only], file=table)

    assert all_of("houses", "plan") == 1
    assert runs == ["houses", "plan"]
    assert all_of("houses", "plan") == 1
    assert runs == ["plan"]
    all_of("houses", again=True)
    assert runs == ["houses"]
    all_of("houses", quick=True)  # another size is another figure
    assert runs == ["houses"]
    (tmp_path / "houses.json").write_text("{broken off")
    all_of("houses", quick=True)
    assert runs == ["houses"]
    assert json.loads((tmp_path / "houses.json").read_text())["found"] == HOUSES


def test_the_table_says_what_was_measured_on_what_and_what_was_not(tmp_path: Path, runs: list[str]) -> None:
    table = tmp_path / "table.md"
    everything.run_all(tmp_path, quick=False, again=False, only=["houses", "plan"], file=table)
    text = table.read_text("utf-8")
    assert "| a run with nothing new | 1.25 ms a house | from cold | 1,600 ms | 0.00078 |" in text
    assert "| 20 houses from cold, one thread | 0.5 min |" in text
    assert "| cost a house, of 20 houses | 1.6 s | of a quarter as many | 2 s | 0.8 |" in text
    assert "`python -m tests.bench houses --houses 20`, 2026-11-25, 3 s, load before 0.4" in text
    assert "failed, no disk" in text
    assert "Not measured here: `python -m tests.bench storage`." in text
    assert f"Python {everything.machine()['python']}" in text
    assert socket.gethostname() not in text
    for line in text.splitlines():
        assert line.count("|") in {0, 6}, line


def test_every_bench_is_a_command_and_takes_its_arguments(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.bench import __main__ as command

    asked: list[Any] = []
    monkeypatch.setattr(command, "_figures", lambda given: asked.append(given) or {})
    monkeypatch.setattr(command, "_replay", lambda given: asked.append(given) or 0)
    for bench in everything.BENCHES:
        for size in (bench.quick, bench.whole):
            assert command.main([bench.name, *size, "--json"]) == 0
    assert {given.command for given in asked} == {bench.name for bench in everything.BENCHES}


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.0, "0"), (0.00078, "0.001"), (1.234, "1.23"), (99.6, "99.6"), (1234.5, "1,234"), (float("nan"), "-")],
)
def test_figures_are_short(value: float, shown: str) -> None:
    assert everything.number(value) == shown
