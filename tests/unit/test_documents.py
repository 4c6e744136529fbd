"""What the documents name is there: files that they link to, commands and options, settings, paths of the API."""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from service.cli import _parser
from service.settings import Settings
from service.work.conditions import REASONS

ROOT = Path(__file__).parents[2]
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
ALL = pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)


@ALL
def test_links_lead_somewhere(document: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", document.read_text("utf-8")):
        if not target.startswith(("http://", "https://", "#")):
            file = target.split("#")[0]
            assert (document.parent / file).exists(), target


@ALL
def test_commands_and_their_options_exist(document: Path) -> None:
    parser = _parser()
    commands = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction)).choices
    shown = re.findall(r"(?:^|[\s`/])evenleaf +([a-z-]+)((?: [^`\n|&#]*)?)", document.read_text("utf-8"))
    code = [(name, rest) for name, rest in shown if name in commands]
    for name, rest in code:
        options = _options(commands[name])
        for option in re.findall(r"(?<= )--[a-z-]+", rest):
            assert option in options, f"evenleaf {name} {option}"
    if document.name == "operating.md":
        assert {name for name, _ in code} >= {"serve", "ingest", "backup", "restore", "migrate"}
    for name in re.findall(r"`evenleaf ([a-z-]+)", document.read_text("utf-8")):
        assert name in commands, f"evenleaf {name}"


def _options(command: argparse.ArgumentParser) -> set[str]:
    """Return the options of a command and of its own commands."""
    found = {option for action in command._actions for option in action.option_strings}
    for action in command._actions:
        if isinstance(action, argparse._SubParsersAction):
            found.update(*(_options(sub) for sub in action.choices.values()))
    return found


def test_the_readme_names_every_reason_of_a_dead_letter() -> None:
    table = (
        (ROOT / "README.md").read_text("utf-8").partition("| what becomes of it |")[2].partition("\n\n")[0]
    )
    for reason in REASONS:
        assert f"`{reason}`" in table, reason


@ALL
def test_settings_exist(document: Path) -> None:
    known = {f"EVENLEAF_{f.name.upper()}" for f in fields(Settings)}
    known |= {"EVENLEAF_CONFIG", "EVENLEAF_TOKEN", "EVENLEAF_TEST_POSTGRESQL_URL", "EVENLEAF_TEST_MQTT_URL"}
    known |= {"EVENLEAF_TEST_REQUIRE", "EVENLEAF_TEST_WHOLE"}
    for name in re.findall(r"EVENLEAF_[A-Z0-9_]+", document.read_text("utf-8")):
        # ``EVENLEAF_SMTP_*`` stands for all that begin so.
        assert name in known or (name.endswith("_") and any(k.startswith(name) for k in known)), name


def test_settings_of_units_and_compose_exist() -> None:
    known = {f"EVENLEAF_{f.name.upper()}" for f in fields(Settings)}
    for file in [*sorted((ROOT / "deploy" / "systemd").iterdir()), ROOT / "docker-compose.yml"]:
        assert set(re.findall(r"EVENLEAF_[A-Z_]+", file.read_text("utf-8"))) <= known, file.name


def test_metrics_that_the_runbook_names_exist() -> None:
    from ingest.metrics import Tally
    from service.metrics import Metrics

    made = {metric.name for metric in [*Metrics().registry.collect(), *Tally().collect()]}
    for document in DOCUMENTS:
        named = set(re.findall(r"`(evenleaf_[a-z_]+)`", document.read_text("utf-8")))
        # A counter is named with its ending, as it is seen.
        assert {name.removesuffix("_total") for name in named} <= made, document.name
        assert named or document.name not in {"runbook.md", "operating.md"}


def _yaml(text: str) -> Any:
    yaml = pytest.importorskip("yaml")
    return yaml.safe_load(text)


def test_the_compose_file_holds_together() -> None:
    # By the Compose Specification (compose-spec.io): what is referred to is defined at the top level.
    file = _yaml((ROOT / "docker-compose.yml").read_text("utf-8"))
    services = file["services"]
    for name, service in services.items():
        for other, how in (service.get("depends_on") or {}).items():
            assert how["condition"] in {"service_healthy", "service_completed_successfully"}
            assert how["condition"] != "service_healthy" or "healthcheck" in services[other], (name, other)
        assert set(service.get("secrets", [])) <= set(file["secrets"]), name
        volumes = [v.split(":")[0] for v in service.get("volumes", [])]
        assert {v for v in volumes if not v.startswith(("./", "/"))} <= set(file["volumes"] or {}), name
        for mounted in (v for v in volumes if v.startswith("./")):
            assert (ROOT / mounted).exists(), mounted
        if "build" not in service:  # pinned to one version: at least three numbers, or two of PostgreSQL's
            assert re.search(r":\d+\.\d+", service["image"]), service["image"]
    assert set(services) >= {"postgresql", "mosquitto", "migrate", "serve", "ingest"}
    for line in (ROOT / "Dockerfile").read_text("utf-8").splitlines():
        if line.startswith("FROM"):
            assert re.search(r":\d+\.\d+\.\d+", line), line


def test_docker_takes_the_compose_file(tmp_path: Path) -> None:
    """No engine is needed for it. Docker Compose 1 takes the file but for the name of the project, which 2 added."""
    text = (ROOT / "docker-compose.yml").read_text("utf-8")
    if _runs("docker", "compose", "version"):
        command = ["docker", "compose"]
    elif _runs("docker-compose", "version", "--short"):
        command = ["docker-compose"]
        text = re.sub(r"^name: .*\n", "", text, flags=re.MULTILINE)
    else:
        pytest.skip("docker compose is not installed here")
    (tmp_path / "docker-compose.yml").write_text(text, "utf-8")
    shutil.copytree(ROOT / "deploy", tmp_path / "deploy", ignore=shutil.ignore_patterns("secrets"))
    subprocess.run([tmp_path / "deploy" / "make-secrets"], check=True)
    found = subprocess.run([*command, "config"], cwd=tmp_path, check=True, capture_output=True, text=True)
    assert set(_yaml(found.stdout)["services"]) >= {"postgresql", "mosquitto", "migrate", "serve", "ingest"}


def _runs(*command: str) -> bool:
    if shutil.which(command[0]) is None:
        return False
    return subprocess.run(command, check=False, capture_output=True).returncode == 0
