"""The environment of the reports' templates (Jinja2, in templates/)."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any


def render(template: str, **values: Any) -> str:
    """Render a template. All values are escaped, for HTML and SVG."""
    text: str = _environment().get_template(template).render(values)
    return text


def _short(value: Any) -> Any:
    """A float as text with two decimals at most; other values stay."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else value


@cache
def _environment() -> Any:
    """Made with the first report: a planner starts sooner without Jinja2."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).with_name("templates")),
        autoescape=True,
        auto_reload=False,
        finalize=_short,
        keep_trailing_newline=True,
        lstrip_blocks=True,
        trim_blocks=True,
        undefined=StrictUndefined,
    )
    environment.filters["fmt"] = format  # numbers and dates, as in Python: {{ day|fmt("%d %B") }}
    return environment
