"""How pages are made from templates."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from litestar.plugins.jinja import JinjaTemplateEngine
from litestar.template import TemplateConfig

TEMPLATES = Path(__file__).parent / "templates"


def template_config() -> TemplateConfig[JinjaTemplateEngine]:
    """Return the templates of the pages: everything put into them is escaped, and nothing may be missing."""
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    return TemplateConfig(instance=JinjaTemplateEngine.from_environment(environment))
