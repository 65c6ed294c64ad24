"""The line of every key is found, however the file is laid out."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from plant_file import GOOD

from trendkit.plant.toml_lines import key_lines, line_of

AWKWARD = '''\
# a [comment] = "with marks"
title = """
not.a.key = 1
[nor.a.table]
"""
"quoted.key" = 'a # no comment'
dotted.inner . deep = 2026-03-09 13:00:00
list = [ # first
  "a]", "b",
  { x = 1, y = [2,
    3] },
]

[[press]]
name = "A"
  [press.tags.feed_flow]
  tag = "X"
[[press]]
[press.tags]
[press.tags.'odd name']
tag = 'C:\\new'
[[press.change]]
set = { tags = { feed_flow = { unit = "gpm" } } }
[[press.change]]
"escaped \\" quote" = 1
[end]
last = true
'''


def test_lines_of_an_awkward_file() -> None:
    lines = key_lines(AWKWARD)
    rows = AWKWARD.splitlines()

    def row(*path: str | int) -> str:
        return rows[lines[path] - 1].strip()

    assert row("title") == 'title = """'
    assert row("quoted.key").startswith('"quoted.key"')
    assert row("dotted", "inner", "deep").startswith("dotted.inner")
    assert row("list", 2, "y", 1) == "3] },"
    assert row("press", 0, "tags", "feed_flow", "tag") == 'tag = "X"'
    assert row("press", 1, "tags", "odd name", "tag") == "tag = 'C:\\new'"
    assert row("press", 1, "change", 0, "set", "tags", "feed_flow", "unit").startswith("set =")
    assert lines["press", 1, "change", 1] == rows.index("[[press.change]]", 22) + 1
    assert row("end", "last") == "last = true"
    assert ("nor", "a", "table") not in lines


def paths_of(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    """Return the key path of every table, key and array item."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {path}.union(*(paths_of(child, (*path, key)) for key, child in items)) - {()}


def test_every_key_of_a_file_has_a_line() -> None:
    for text in (AWKWARD.replace('"escaped \\" quote"', "plain"), GOOD):
        assert paths_of(tomllib.loads(text)) <= set(key_lines(text))


def test_a_key_that_is_not_there_is_shown_at_the_table_it_belongs_to() -> None:
    lines = key_lines("[plant]\nname = 1\n[[press]]\nname = 2\n")
    assert line_of(lines, ("press", 0, "belt_width")) == 3
    assert line_of(lines, ("costs", "haul")) is None


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["a", "b c", "d.e", "f"]),
            st.one_of(st.integers(), st.booleans(), st.text("ab#\"'[]{}=,\n\\", max_size=8)),
        ),
        unique_by=lambda pair: pair[0],
        max_size=4,
    )
)
def test_values_full_of_marks_do_not_shift_the_lines(pairs: list[tuple[str, Any]]) -> None:
    def quoted(text: str) -> str:
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'

    def written(value: Any) -> str:
        return quoted(value) if isinstance(value, str) else str(value).lower()

    text = "".join(f"{quoted(key)} = [{written(value)},\n{written(value)}]\n" for key, value in pairs)
    assert list(tomllib.loads(text)) == [key for key, _ in pairs]
    lines = key_lines(text)
    assert [lines[(key,)] for key, _ in pairs] == [1 + 2 * number for number in range(len(pairs))]
