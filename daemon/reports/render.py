"""The reports' templates (Jinja2, in templates/), and the one environment that they share."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined


def render(template: str, **values: Any) -> str:
    """A template as text. All values are escaped, for HTML and SVG alike."""
    return _ENVIRONMENT.get_template(template).render(values)


def _short(value: Any) -> Any:
    """A float with two decimals at most: coordinates need no more."""
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
