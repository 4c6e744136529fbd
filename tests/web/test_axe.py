"""Every page, in light and in dark, read by axe-core; and no request to any other host, no error, no violation."""

from __future__ import annotations

from pathlib import Path

import axe_playwright_python
import pytest

from tests.web.conftest import Grounds, LookMaker
from tests.web.screenshots import pages_of

_AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
_RUN = """async () => {
  const found = await axe.run(document, {resultTypes: ["violations"]});
  return found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html).join(" ; ")}`);
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_violation(grounds: Grounds, look: LookMaker, scheme: str) -> None:
    """Names, roles, contrast of at least 4.5, order of headings, targets."""
    found: dict[str, list[str]] = {}
    for width in (360, 1920) if scheme == "light" else (820,):
        with look(grounds.site, width=width, height=900, color_scheme=scheme) as seen:
            # Run by the debugger, which no policy of the page holds back.
            page = seen.page
            page.goto("/login")
            page.evaluate(_AXE)
            if violations := page.evaluate(_RUN):
                found[f"login {width}"] = violations
        with look(
            grounds.site, grounds.people["owner"], width=width, height=900, color_scheme=scheme
        ) as seen:
            page = seen.page
            for name, path in pages_of(grounds.made).items():
                page.goto(path)
                page.evaluate(_AXE)
                if violations := page.evaluate(_RUN):
                    found[f"{name} {width}"] = violations
            assert [e for e in seen.errors if "404" not in e] == []
            assert seen.outside == []
    assert found == {}
