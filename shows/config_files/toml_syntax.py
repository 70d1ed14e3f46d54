"""Explains text that is not TOML in plain words: the line, the key, the character, and what to write."""

from __future__ import annotations

import re
import tomllib
from typing import NamedTuple

_CURLY = "“”„‟«»‘’‚‹›"
_HEADER = re.compile(r"\s*(\[\[?)\s*([\w.\"' -]+?)\s*\]")
_KEY = re.compile(r"\s*([\w.\"-]+)\s*[=:]")
_EXAMPLES = 'as key = "text", key = 12, or [table]'
_HINTS: tuple[tuple[str, str, str], ...] = (
    # a pattern of the line without its quoted text; the problem; the hint
    (rf"[{_CURLY}]", "the quotes are curly", 'write straight quotes, as "text"'),
    (r"^\s*(?:universes|port_addresses)\s*=\s*\[?\s*\d", "a range needs quotes", 'as "1-24" or "0:0:0-0:0:7"'),
    (r"=\s*\d{1,2}:\d\d", "a time needs quotes", 'as "22:30"'),
    (r"=\s*\d{2,4}-\d\d", "a date needs quotes", 'as "12-24" or "11-27..01-06"'),
    (r"=\s*[+-]?\d+,\d", "a decimal comma", "write a point, as 54.486"),
    (r"=\s*`", "these are not quotes", 'write straight quotes, as "text"'),
    (r"//|/\*|--|^\s*;", "a comment does not begin like this", "begin a comment with #"),
    (r"=\s*[\u2012-\u2015\u2212]", "this dash is not a minus sign", "write -, the minus sign of the keyboard"),
    (r"[^\x20-\x7e\t]", "a character that does not belong here", "remove it, or type it again"),
    (r"^\s*\[", "a table's name needs brackets on both sides", "as [site], or [[show]] for each show"),
    (r"^[^=]*=>", "=> is between the key and its value", "write =, as key = value"),
    (r"^\s*[\w-]+\s+[\w-]+\s*=", "a key is one word", 'write _ in the middle, as at_close = "finish"'),
    (r"[\[=,]\s*\(|^\s*\(.*=", "round brackets have no meaning here", "write [ and ] for a list, { and } for a table"),
    (r"\{\s*_+\s*[,}]", "a list needs [ and ]", 'as ["tide", "lanterns"]'),
    (r",\s*,", "there is one comma too many", "remove one of the two"),
    (r"[{,]\s*[\w-]+\s*=\s*[\w.]+\s+[\w-]+\s*=", "a comma is missing", 'as { from = "22:30", to = "07:00" }'),
    (r"=\s*_+[^\W_]", "a quote inside the text ends the text", "write single quotes around such a text"),
    (r"^[^=]*[^=\s]\s*:(?!\d)", "a colon is between the key and its value", "write =, as key = value"),
    (r"=\s*(?:True|TRUE|yes|Yes|on|On|YES|ON)\b", "this word is not a value", "write true"),
    (r"=\s*(?:False|FALSE|no|No|off|Off|NO|OFF)\b", "this word is not a value", "write false"),
    (r"=\s*(?:null|None|nil|~)\s*$", "this word is not a value", "remove the line"),
    (r"=\s*[+-]\s+[\d.]", "there is a space after the sign", "write no space after it, as -0.613"),
    (r"=\s*[+-]?0\d", "a number begins with 0", "leave the 0 out, as 1"),
    (r"=\s*[+-]?(?:\.\d|\d+\.(?!\d))", "a number needs a digit on both sides of its point", "as 0.5"),
    (r"=\s*[+-]?[\d.]+\s*%", "a share is a number from 0 to 1", "write 0.3 for 30 %"),
    (r"=\s*[+-]?[\d.]+\s*[^\W\d]", "a number with a unit needs quotes, or no unit", 'as "4 s", or 12'),
    (r"^[^=]*=\s*$", "the value is missing", 'as key = "text" or key = 12'),
    (r"[;,]\s*$", "the line has one character too many at its end", "end the line after the value"),
    (r"=\s*\[?\s*(?!_)[^\W\d]", "text needs quotes", 'as key = "text"'),
    (r"^[^=]*$", "there is no = on this line", _EXAMPLES),
)


class _Cause(NamedTuple):
    """Line and column count from 1. Column 0 means the whole line."""

    line: int
    column: int
    problem: str
    hint: str


def explain(text: str, error: tomllib.TOMLDecodeError) -> tuple[int, str | None, str, str]:
    """Line (from 1), key if the line has one, problem and hint."""
    lines = text.splitlines() or [""]
    found = re.search(r"\(at line (\d+), column (\d+)", str(error))
    number = min(int(found[1]), len(lines)) if found else len(lines)
    column = int(found[2]) if found else len(lines[-1]) + 1
    cause = _cause(lines, number, column, re.sub(r" \(at .*\)$", "", str(error)))
    line = lines[cause.line - 1]
    at = f" (column {cause.column}, character {line[cause.column - 1]!r})" if 0 < cause.column <= len(line) else ""
    shown = line.strip() if len(line.strip()) <= 60 else f"{line.strip()[:57]}..."
    return cause.line, _key(lines, cause.line), f"this is not TOML: {cause.problem}: {shown}{at}", cause.hint


def _cause(lines: list[str], number: int, column: int, problem: str) -> _Cause:
    """The likeliest cause of a parser error."""
    far = _table_twice(lines, number) or _open_quote(lines, number, problem) or _open_list(lines, number)
    if far:
        return far
    line = lines[number - 1]
    bare = re.sub(r"#.*", "", _without_text(line))
    if problem.startswith(("Cannot overwrite", "Duplicate")):
        key = _KEY.match(line)
        name = problem.split("'")[1] if "'" in problem else key[1] if key else "the key"
        return _Cause(number, 0, f"{name} is here for the second time", "keep one of the two")
    if problem.startswith(("Unescaped", "Invalid hex", "Escaped")):
        meaning = "a backslash has a special meaning between double quotes"
        return _Cause(number, column, meaning, 'write / in paths, as "pieces/tide.frames"')
    if problem.startswith("Invalid initial") and bare.rstrip().endswith((",", "{")):
        return _Cause(number, 0, "a table between { and } must be on one line", "put all of it on this line")
    before = number - 1
    while problem.startswith("Unclosed") and before and not line[: column - 1].strip():
        if re.sub(r"#.*", "", _without_text(lines[before - 1])).strip():
            return _Cause(before, 0, "a comma is missing at the end of this line", "write it there")
        before -= 1
    for pattern, cause, hint in _HINTS:
        if found := re.search(pattern, bare):
            strange = len(found[0]) == 1 and not found[0].isascii()
            return _Cause(number, found.start() + 1 if strange else column, cause, hint)
    if problem.startswith("Unclosed"):
        return _Cause(number, column, "a comma or a bracket is missing", 'as ["tide", "lanterns"]')
    if problem.startswith("Expected newline"):
        if line[column - 1] in "]})":
            return _Cause(number, column, "there is one bracket too many", "remove it")
        return _Cause(number, column, "the line goes on after its value", "end the line after the value")
    return _Cause(number, column, f"{problem[0].lower()}{problem[1:]}", _EXAMPLES)


def _table_twice(lines: list[str], number: int) -> _Cause | None:
    """A table that is there twice. If both `[show]` and `[[show]]` are there, `[show]` is wrong."""
    header = _HEADER.match(lines[number - 1])
    for earlier, line in enumerate(lines[: number - 1] if header else (), 1):
        first = _HEADER.match(line)
        if not first or not header or first[2] != header[2] or first[1] == header[1] == "[[":
            continue
        name = header[2]
        if first[1] == header[1]:
            return _Cause(
                number, 0, f"[{name}] is here for the second time, after line {earlier}", "join the two tables"
            )
        single = earlier if first[1] == "[" else number
        return _Cause(single, 0, f"[{name}] is there, and so is [[{name}]]", f"write [[{name}]], for each of them")
    return None


def _open_quote(lines: list[str], number: int, problem: str) -> _Cause | None:
    """Text without a closing quote. If it runs to the file's end, it began on the first line with an open quote."""
    if problem.startswith(('Expected "', "Expected '\"")):
        bare = (_without_text(line).partition("#")[0] for line in lines)
        number = next((at for at, line in enumerate(bare, 1) if re.search("[\"']", line)), number)
    elif not problem.startswith("Illegal character '\\n'") or re.search(rf"[{_CURLY}]", lines[number - 1]):
        return None
    return _Cause(number, 0, "the text has no closing quote", 'as key = "text"')


def _open_list(lines: list[str], number: int) -> _Cause | None:
    """A list or table that is still open where the next key or table begins, or at the end of the file."""
    ends = number == len(lines) or _HEADER.match(lines[number - 1]) or _KEY.match(lines[number - 1])
    for begin in range(number - (number < len(lines)), 0, -1) if ends else ():
        if re.match(r"\s*[\w.-]+\s*=\s*[\[{]", lines[begin - 1]):
            bare = re.sub(r"#.*", "", _without_text("\n".join(lines[begin - 1 : max(begin, number - 1)])))
            opened = bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}")
            problem = "the list or table that begins here has no end"
            return _Cause(begin, 0, problem, "close it with ] or }") if opened > 0 else None
        if _KEY.match(lines[begin - 1]) or _HEADER.match(lines[begin - 1]):
            return None
    return None


def _without_text(line: str) -> str:
    """A line with quoted text replaced by _, so that only TOML's own characters are left."""
    return re.sub(r'"[^"\n]*"' + r"|'[^'\n]*'", lambda quoted: "_" * len(quoted[0]), line)


def _key(lines: list[str], number: int) -> str | None:
    """The dotted key that a line sets, or None."""
    begin = number
    while begin > 1 and re.match(r"\s*(?:[{(\]\"]|\[+[\d-])", lines[begin - 1]):  # within a list of several lines
        begin -= 1
    key, table = _KEY.match(lines[begin - 1]), ""
    counts: dict[str, int] = {}
    for header in filter(None, map(_HEADER.match, lines[: begin - 1])):
        table = header[2]
        if header[1] == "[[":
            counts[table] = counts.get(table, -1) + 1
            table = f"{table}[{counts[table]}]"
    return None if key is None else f"{table}.{key[1]}" if table else key[1]
