"""Layouts as TOML text, with room for comments: what a proposal has to say stands beside what it proposes."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence

from faultml.importing.layout import Layout, plain

Comments = Mapping[str, Sequence[str]]


def write_layout(layout: Layout, comments: Comments | None = None, head: Sequence[str] = ()) -> str:
    """The layout as TOML, which `faultml.importing.layout.parse_layout` reads back as the same layout.

    Parameters
    ----------
    layout
        Fields that have their default are left out, but for those with a comment's path below them.
    comments
        Lines to stand above a key or a table, by its dotted path, such as ``angles.flexion.positive``.
    head
        Comment lines at the top.
    """
    comments = comments or {}
    lines = [*_comment(head), *_table(plain(layout), "", comments)]
    return "\n".join(lines).strip("\n") + "\n"


def _table(table: Mapping[str, object], path: str, comments: Comments) -> Iterator[str]:
    below = {name: value for name, value in table.items() if _is_table(value, path)}
    for name, value in table.items():
        if name not in below:
            yield from _comment(comments.get(_join(path, name), ()))
            yield f"{_key(name)} = {_value(value)}"
    for name, value in below.items():
        yield ""
        yield from _comment(comments.get(_join(path, name), ()))
        yield f"[{_join(path, name)}]"
        yield from _table(value, _join(path, name), comments)  # type: ignore[arg-type]


def _is_table(value: object, path: str) -> bool:
    """Whether a value gets a heading of its own; a value that stands in a column stays on its line."""
    return isinstance(value, Mapping) and path.partition(".")[0] in ("", "angles", "orientation")


def _join(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def _comment(lines: Sequence[str]) -> list[str]:
    return [f"# {part}".rstrip() for line in lines for part in line.splitlines() or [""]]


def _key(name: str) -> str:
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare else _text(name)


def _value(value: object) -> str:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(name)} = {_value(each)}" for name, each in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(each) for each in value) + "]"
    return json.dumps(value)


def _text(text: str) -> str:
    """A basic string of TOML: JSON's, with the one control character escaped that JSON leaves alone."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
