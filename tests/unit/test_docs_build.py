"""The documents build as pages: strictly, with the reference made from the program, and without asking anyone else."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from dataclasses import fields
from html.parser import HTMLParser
from pathlib import Path

import pytest

from service.agronomy.profile import CropProfile
from service.settings import Settings
from service.work.quantities import QUANTITIES

ROOT = Path(__file__).parents[2]


class Loads(HTMLParser):
    """Collects what a page makes the browser fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note scripts, styles, pictures and frames."""
        given = dict(attrs)
        if tag in {"script", "img", "iframe", "source", "audio", "video"}:
            self.found.append(given.get("src") or "")
        elif tag == "link" and given.get("rel") not in {"canonical", None}:
            self.found.append(given.get("href") or "")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the pages as DEVELOPERS.md says."""
    if shutil.which("mkdocs") is None and not (Path(sys.executable).parent / "mkdocs").exists():
        pytest.skip("mkdocs is not installed here; it is in requirements.lock")
    folder = tmp_path_factory.mktemp("docs")
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "-f", ".ci/docs.yml", "-d", str(folder)]
    built = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)
    assert built.returncode == 0, built.stderr
    return folder


def test_nothing_is_loaded_from_elsewhere(site: Path) -> None:
    pages = list(site.rglob("*.html"))
    assert len(pages) > 15
    for page in pages:
        loads = Loads()
        loads.feed(page.read_text("utf-8"))
        assert not [source for source in loads.found if re.match(r"(https?:)?//", source)], page.name
    for style in site.rglob("*.css"):
        assert not re.search(r"url\(['\"]?(https?:)?//|@import", style.read_text("utf-8")), style.name


def test_the_reference_holds_every_setting_quantity_crop_value_and_operation(site: Path) -> None:
    def page(name: str) -> str:
        return (site / "reference" / f"{name}.html").read_text("utf-8")

    for field in fields(Settings):
        assert f"EVENLEAF_{field.name.upper()}<" in page("settings"), field.name
    for name in QUANTITIES:
        assert f">{name}<" in page("mqtt")
    needed = {f.name for f in fields(CropProfile) if f.name.endswith(("_c", "_g", "_cd", "_leaves"))}
    for name in needed:
        assert f">{name}<" in page("crops"), name
    assert "evenleaf_ingest_messages_total" in page("metrics")
    assert "evenleaf user passwd" in page("commands")
    assert page("api").count("<h3") > 100
    assert "GET /v1/houses/{house_id}/line" in page("api") or "/line" in page("api")
    # A row that breaks out of its table shows its bars.
    for name in ("settings", "commands", "api", "mqtt", "csv", "metrics", "crops", "agronomy"):
        text = re.sub(r"<(code|pre)[^>]*>.*?</\1>", "", page(name), flags=re.DOTALL)
        assert "|---" not in text, name


def test_every_hand_written_page_is_in_the_contents(site: Path) -> None:
    contents = (ROOT / ".ci" / "docs.yml").read_text("utf-8")
    for page in (ROOT / "docs").glob("*.md"):
        assert f": {page.name}" in contents
        assert (site / f"{page.stem}.html").exists()
