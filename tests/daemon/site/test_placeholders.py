"""Placeholders: only the names are replaced, and no value breaks a body, an address or a line."""

from __future__ import annotations

import json
from urllib.parse import unquote, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.daemon.site.placeholders import NAMES, filled, filled_text, filled_url, is_json, one_line, unknown

VALUES = dict.fromkeys(NAMES, "") | {"title": 'The "tide" & {next}\\ 100 %', "next": "lanterns"}


@pytest.mark.parametrize(
    "text",
    ['{"a": 1}', "{}", "{ title }", "{{}}", "{1}", "${title}", "${HOME}", "{TITLE}", "{title", "title}", '{"title"}'],
)
def test_other_braces_stay(text: str) -> None:
    assert filled_text(text, VALUES) == text
    assert not list(unknown(text))


def test_a_word_in_braces_that_is_no_name_is_found() -> None:
    assert list(unknown("{title}, {titel}, {next_title} and {song}")) == ["titel", "song"]


def test_a_value_that_looks_like_a_placeholder_is_not_replaced_again() -> None:
    assert filled("now {title}", VALUES) == f"now {VALUES['title']}"


@given(value=st.text())
def test_no_value_breaks_a_json_body_an_address_or_a_line(value: str) -> None:
    """RFC 8259 for the body, RFC 3986 for the address."""
    values = {"title": one_line(value)}
    body = filled('{"now": ["{title}"], "n": {"m": 1}}', values)
    assert json.loads(body) == {"now": [values["title"]], "n": {"m": 1}}
    if value.isascii():
        url = urlsplit(filled_url("http://192.0.2.5/now/{title}/next?x={title}", values))
        assert [unquote(part) for part in url.path.split("/")] == ["", "now", values["title"], "next"]
        assert unquote(url.query) == f"x={values['title']}" and not url.fragment
    assert len(filled_text("- {title} -", values).splitlines()) == 1


@pytest.mark.parametrize("text", ["on", "1", "true", "[" * 9_000, "{title}", '{"n": {length}}', ""])
def test_what_is_no_document_is_plain_text(text: str) -> None:
    assert not is_json(text)


def test_documents_are_known_with_their_placeholders() -> None:
    assert is_json('{"now": "{title}"}') and is_json('["{title}"]') and is_json('"{title}"')
