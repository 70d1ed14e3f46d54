"""What holds for every template: numbers are short, misspelled names are errors, values are escaped."""

from __future__ import annotations

from datetime import date

import pytest
from jinja2 import DictLoader, UndefinedError

from gloaming.daemon.reports import render as module
from gloaming.daemon.reports.render import render


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Templates by name, which the environment has for a test."""
    texts: dict[str, str] = {}
    monkeypatch.setattr(module._environment(), "loader", DictLoader(texts))
    return texts


def test_a_float_has_two_decimals_at_most_and_a_whole_number_stays(written: dict[str, str]) -> None:
    written["numbers"] = "{{ sum }} {{ whole }} {{ third }} {{ count }} {{ large }}"
    values = {"sum": 0.1 + 0.2, "whole": 1200.0, "third": -2 / 3, "count": 1234567, "large": 1234567.125}
    assert render("numbers", **values) == "0.3 1200 -0.67 1234567 1234567.12"


def test_numbers_and_dates_are_written_as_python_writes_them(written: dict[str, str]) -> None:
    written["formats"] = '{{ share|fmt(".0%") }} {{ day|fmt("%d %B") }}'
    assert render("formats", share=0.5, day=date(2026, 12, 1)) == "50% 01 December"


def test_a_misspelled_name_is_an_error(written: dict[str, str]) -> None:
    written["misspelled"] = "{{ nigths }}"
    with pytest.raises(UndefinedError, match="nigths"):
        render("misspelled", nights=3)


def test_values_are_escaped_and_what_a_template_has_itself_is_not(written: dict[str, str]) -> None:
    written["page"] = '<b title="{{ name }}">{{ name }}</b>{% include "style" %}'
    written["style"] = "p > b {}"
    assert render("page", name="<\"&'>") == ('<b title="&lt;&#34;&amp;&#39;&gt;">&lt;&#34;&amp;&#39;&gt;</b>p > b {}')
