"""Lines of keys in TOML text, against the text itself."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.toml_lines import Path, key_lines, line_of

TEXT = '''\
# a comment with [brackets] and = signs
title = "a # in a string"

[a]  # after a header
x = 1 # after a value
"quoted key" = 'lit#eral'
dotted.inner.most = 2
when = 1979-05-27 07:32:00

[a.b.c]
many = [
  1,  # one, [
  [2, 3],
  { p = 1, q.r = "}" },

  "]"
]
text = """
[not.a.table]
x = \\""" still
"""
raw = \'\'\'
y = 3\'\'\'
[[rows]]
n = 1
[[rows.deep]]
m = 1
[[rows.deep]]
m = 2
[rows.deep.sub]
k = 0
[[rows]]
n = 2
[[rows.deep]]
m = 3
inline = { a = 1, b = [ { c = 2 } ] }
'''

LINES: dict[Path, int] = {
    ("title",): 2,
    ("a",): 4,
    ("a", "x"): 5,
    ("a", "quoted key"): 6,
    ("a", "dotted"): 7,
    ("a", "dotted", "inner", "most"): 7,
    ("a", "when"): 8,
    ("a", "b"): 10,
    ("a", "b", "c"): 10,
    ("a", "b", "c", "many"): 11,
    ("a", "b", "c", "many", 0): 12,
    ("a", "b", "c", "many", 1): 13,
    ("a", "b", "c", "many", 1, 1): 13,
    ("a", "b", "c", "many", 2, "q", "r"): 14,
    ("a", "b", "c", "many", 3): 16,
    ("a", "b", "c", "text"): 18,
    ("a", "b", "c", "raw"): 22,
    ("rows",): 24,
    ("rows", 0): 24,
    ("rows", 0, "n"): 25,
    ("rows", 0, "deep", 0, "m"): 27,
    ("rows", 0, "deep", 1): 28,
    ("rows", 0, "deep", 1, "sub"): 30,
    ("rows", 0, "deep", 1, "sub", "k"): 31,
    ("rows", 1): 32,
    ("rows", 1, "n"): 33,
    ("rows", 1, "deep", 0, "m"): 35,
    ("rows", 1, "deep", 0, "inline", "b", 0, "c"): 36,
}


def paths(value: Any, here: Path = ()) -> Iterator[Path]:
    """Every key and every array element of a parsed file."""
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, inner in steps:
        yield (*here, step)
        yield from paths(inner, (*here, step))


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_lines_of_everything_that_toml_knows(newline: str) -> None:
    text = TEXT.replace("\n", newline)
    found = key_lines(text)
    assert {path: found.get(path) for path in LINES} == LINES
    assert set(paths(tomllib.loads(text))) == set(found)


def test_what_is_not_there_has_the_line_of_the_table_around_it() -> None:
    found = key_lines(TEXT)
    assert line_of(found, ("a", "b", "c", "none")) == 10
    assert line_of(found, ("rows", 1, "deep", 0, "x", 3)) == 34
    assert line_of(found, ("none", "at", "all")) == 1


KEYS = st.text("abc-_1", min_size=1, max_size=3)
VALUES = st.recursive(
    st.sampled_from(["1", "true", '"a, ] } # \\" b"', "'x = 1'", "2027-03-01", "-1.5e3", '""', "''"]),
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda many: "[\n " + " ,#, ]\n ".join(many) + "\n]")
        | st.dictionaries(KEYS, inner, max_size=3).map(
            lambda d: "{" + ",".join(f" {k} = {v}" for k, v in d.items()) + "}"
        )
    ),
    max_leaves=8,
)


@given(st.dictionaries(KEYS, VALUES, max_size=5), st.dictionaries(KEYS, VALUES, max_size=5))
def test_any_file_that_parses_is_followed_to_its_end(top: dict[str, str], table: dict[str, str]) -> None:
    text = "".join(f"{key} = {value}\n" for key, value in top.items())
    text += "[[zz]]\n" + "".join(f"{key} = {value}\n" for key, value in table.items())
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return  # a line break inside an inline table
    assert set(key_lines(text)) == set(paths(data))
