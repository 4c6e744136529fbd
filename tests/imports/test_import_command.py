"""``evenleaf import``."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from service.cli import main
from service.clock import FixedClock
from service.records.migrate import upgrade
from tests.conftest import open_store, run_apart
from tests.imports.conftest import a_sensor
from tests.work.conftest import make_place

FILE = "sensor,time,value\ncanopy,2023-03-25T01:00Z,60\ncanopy,2023-03-25T02:00Z,61\n"


@pytest.fixture
def farm(tmp_path: Path, clock: FixedClock, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Have a store of two farms, whose houses have the same code; return a folder for files."""
    monkeypatch.setenv("EVENLEAF_DATA_DIR", str(tmp_path))

    async def make() -> None:
        async with open_store(f"sqlite+aiosqlite:///{tmp_path / 'evenleaf.sqlite3'}") as store:
            await upgrade(store)
            for name in ("Alder Farm", "Birch Farm"):
                place = await make_place(store, clock, name)
                await a_sensor(
                    store, place, name="canopy", quantity="temp_air_c", unit="degF", topic=f"{name}/canopy"
                )

    run_apart(make())
    return tmp_path


def write(folder: Path, content: str) -> str:
    file = folder / "file.csv"
    file.write_text(content, encoding="utf-8")
    return str(file)


def test_a_file_is_brought_once(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write(farm, FILE)
    assert main(["import", "readings", file, "--house", "1", "--dry-run"]) == 0
    assert "2 rows: 2 would be new" in capsys.readouterr().out
    for new in (2, 0):
        assert main(["import", "readings", file, "--house", "1", "--json"]) == 0
        said = json.loads(capsys.readouterr().out)
        assert (said["rows"], said["new"], said["unchanged"]) == (2, new, 2 - new)


def test_faults_are_listed_with_their_lines(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write(farm, FILE + "canopy,soon,60\nroof,2023-03-25T03:00Z,\n")
    for more in ([], ["--dry-run"]):
        assert main(["import", "readings", file, "--house", "1", *more]) == 1
        printed = capsys.readouterr().out.splitlines()
        assert [line.split(" ")[:2] for line in printed[:3]] == [
            [f"{file}:4:", "time:"],
            [f"{file}:5:", "sensor:"],
            [f"{file}:5:", "value:"],
        ]
        assert printed[3:] == ["3 faults; nothing is stored."]
        assert main(["import", "readings", file, "--house", "1", "--json", *more]) == 1
        faults = json.loads(capsys.readouterr().out)["faults"]
        assert [(fault["line"], fault["field"]) for fault in faults] == [
            (4, "time"),
            (5, "sensor"),
            (5, "value"),
        ]


def test_batches_and_orders_are_brought(
    farm: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = 'batch,succession,kind,happened_at,plants\nx,"Butterhead, weekly",seeded,2025-03-03,200\n'
    assert main(["import", "batches", write(farm, batch), "--house", "2"]) == 0
    order = "buyer,crop,heads,weekdays,starts_on\nCorner Shop,Butterhead,120,1 4,2026-09-14\n"
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(order.encode())))
    assert main(["import", "orders", "-", "--house", "2"]) == 0
    assert capsys.readouterr().out.count("1 rows: 1 new, 0 changed, 0 unchanged.") == 2


@pytest.mark.parametrize(
    ("house", "sentence"),
    [
        ("N1", "several houses have this code; give an id: 1, 2"),
        ("N9", "there is no house"),
        ("9", "no house"),
    ],
)
def test_wrong_use_is_said(farm: Path, capsys: pytest.CaptureFixture[str], house: str, sentence: str) -> None:
    assert main(["import", "readings", write(farm, FILE), "--house", house]) == 2
    assert sentence in capsys.readouterr().err
    assert main(["import", "readings", str(farm / "absent.csv"), "--house", "1"]) == 2
    assert "absent.csv" in capsys.readouterr().err
    with pytest.raises(SystemExit) as ended:
        main(["import", "weather", "x.csv", "--house", "1"])
    assert ended.value.code == 2
