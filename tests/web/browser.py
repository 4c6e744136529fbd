"""Chromium as the tests and the screenshots start it: headless, and with nothing to say to any outside host."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tests.services import Unavailable

_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def executable() -> str:
    """Return Chromium's path.

    Raises
    ------
    Unavailable
        If there is none.
    """
    named = os.environ.get("CHROMIUM", "")
    found = named or shutil.which("chromium") or shutil.which("chromium-browser") or ""
    if not Path(found).is_file():
        raise Unavailable("no chromium on PATH and none named by CHROMIUM")
    return found


@contextmanager
def chromium() -> Iterator[Browser]:
    """Have a browser."""
    path = executable()
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=_FLAGS)
        try:
            yield browser
        finally:
            browser.close()
