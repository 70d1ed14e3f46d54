"""The environment of the reports' templates (Jinja2, in templates/)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined


def render(template: str, **values: Any) -> str:
    """Render a template. All values are escaped, for HTML and SVG."""
    return _ENVIRONMENT.get_template(template).render(values)


def _short(value: Any) -> Any:
    """A float as text with two decimals at most; other values stay."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else value


_ENVIRONMENT = Environment(
    loader=FileSystemLoader(Path(__file__).with_name("templates")),
    autoescape=True,
    auto_reload=False,
    finalize=_short,
    keep_trailing_newline=True,
    lstrip_blocks=True,
    trim_blocks=True,
    undefined=StrictUndefined,
)
_ENVIRONMENT.filters["fmt"] = format  # numbers and dates, as in Python: {{ day|fmt("%d %B") }}
