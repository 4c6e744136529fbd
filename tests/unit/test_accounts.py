"""``evenleaf user``: made, listed, changed, and the password never an argument."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from service.cli import EXIT_OK, EXIT_USAGE, main
from service.work import passwords


@pytest.fixture(autouse=True)
def data_dir(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the command a folder of its own, and hashes that are quick to make."""
    monkeypatch.setenv("EVENLEAF_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.setattr("service.opening.set_up_logging", lambda _level: None)
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    return tmp_path / "data"


def user(monkeypatch: pytest.MonkeyPatch, *arguments: str, typed: str = "") -> int:
    """Run the command with something on its standard input."""
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    return main(["user", *arguments])


def test_a_user_is_made_listed_disabled_and_enabled(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed = "rows of green heads\n"
    assert user(monkeypatch, "add", "Ada@farm.test", "--role", "owner", "--json", typed=typed) == EXIT_OK
    made = json.loads(capsys.readouterr().out)
    assert made == {
        "id": 1,
        "login": "ada@farm.test",
        "displayName": "ada@farm.test",
        "role": "owner",
        "farmId": None,
        "active": True,
    }
    assert user(monkeypatch, "add", "ben", "--role", "crew", "--display-name", "Ben", typed=typed) == EXIT_OK
    assert user(monkeypatch, "disable", "Ben") == EXIT_OK
    assert "disabled" in capsys.readouterr().out
    assert user(monkeypatch, "list", "--json") == EXIT_OK
    assert [(u["login"], u["active"]) for u in json.loads(capsys.readouterr().out)] == [
        ("ada@farm.test", True),
        ("ben", False),
    ]
    assert user(monkeypatch, "enable", "ben") == EXIT_OK
    assert user(monkeypatch, "passwd", "ben", typed="rows of red heads\n") == EXIT_OK
    assert user(monkeypatch, "list") == EXIT_OK
    assert "ben" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "typed", "said"),
    [
        (["add", "ada", "--role", "owner"], "short\n", "10 to 200 characters"),
        (["add", "ada", "--role", "owner"], "", "10 to 200 characters"),
        (["add", "a b", "--role", "owner"], "rows of green heads\n", "letters, digits"),
        (["add", "ada", "--role", "crew", "--farm", "7"], "rows of green heads\n", "no farm 7"),
        (["passwd", "eve"], "rows of green heads\n", "no user eve"),
        (["disable", "eve"], "", "no user eve"),
    ],
)
def test_what_cannot_be_done_is_said(
    arguments: list[str],
    typed: str,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert user(monkeypatch, *arguments, typed=typed) == EXIT_USAGE
    shown = capsys.readouterr()
    assert said in shown.err
    assert shown.out == ""


def test_a_name_is_taken_once(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    typed = "rows of green heads\n"
    assert user(monkeypatch, "add", "ada", "--role", "owner", typed=typed) == EXIT_OK
    assert user(monkeypatch, "add", "ADA", "--role", "viewer", typed=typed) == EXIT_USAGE
    assert "another user" in capsys.readouterr().err


def test_the_password_is_asked_for_at_a_terminal_twice(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    answers = iter(
        ["rows of green heads", "rows of green hats", "rows of green heads", "rows of green heads"]
    )
    monkeypatch.setattr("sys.stdin", Terminal())
    monkeypatch.setattr("getpass.getpass", lambda _prompt: next(answers))
    assert main(["user", "add", "ada", "--role", "owner"]) == EXIT_USAGE
    assert "two ways" in capsys.readouterr().err
    assert main(["user", "add", "ada", "--role", "owner"]) == EXIT_OK
