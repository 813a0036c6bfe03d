"""A YAML file as a tree that remembers where each key was written, and how one extends another."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.constructor import DuplicateKeyError
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from linectl.errors import Finding
from linectl.site.rowfile import EVERY_SITE

Key = str | int
TreePath = tuple[Key, ...]

_KEPT_TEXTS = 64
"""Parsed texts kept in memory: the files of a few sites."""
_CHARACTERS_MAX = 4_000_000
"""Of one file; the largest site written so far has a hundredth of it."""
_NODES_MAX = 200_000
"""Keys and values in one file. A dozen lines of aliases to aliases stand for thousands of millions,
and would fill the memory before any check could see them."""


class _Overlong(Exception):
    """The text stands for more values than a site's file can hold."""


@dataclass(frozen=True)
class Node:
    """A value and the place of its key: `value` is a dict or list of nodes, or a scalar.

    Trees are shared between readings: nobody edits a dict or list in place.
    """

    value: Any
    file: str
    line: int

    def plain(self) -> Any:
        """The value as dicts, lists and scalars; dates as ISO text."""
        if isinstance(self.value, dict):
            return {key: node.plain() for key, node in self.value.items()}
        if isinstance(self.value, list):
            return [node.plain() for node in self.value]
        return self.value

    def at(self, path: TreePath) -> Node:
        """The node at `path`, or the deepest one on the way that exists."""
        node = self
        for key in path:
            below = node.child(key)
            if below is None:
                break
            node = below
        return node

    def child(self, key: Key) -> Node | None:
        """The node right under this one, or None."""
        if isinstance(self.value, dict):
            found: Node | None = self.value.get(key)
            return found
        if isinstance(self.value, list) and isinstance(key, int) and key < len(self.value):
            item: Node = self.value[key]
            return item
        return None


def empty(file: str) -> Node:
    """The tree of a file that says nothing."""
    return Node({}, file, 1)


def read_yaml(
    path: Path,
    name: str,
    findings: list[Finding],
    *,
    listed: bool = False,
    hint: str = EVERY_SITE,
    instead: bytes | None = None,
) -> Node:
    """The tree of a YAML 1.2 file; what cannot be read is added to `findings`.

    `name` is how findings call the file, `listed` says that it must be a list, not a mapping,
    `hint` what to do if it is not there, `instead` what is read in the place of what the file holds
    now. A file that cannot be read gives an empty tree.
    """
    try:
        data = path.read_bytes() if instead is None else instead
        text = data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except OSError as error:
        findings.append(Finding(name, 1, "file", f"cannot be read: {error.strerror}", hint))
        return empty(name)
    except UnicodeDecodeError as error:
        message = f"is not UTF-8 text (byte {error.start})"
        findings.append(Finding(name, 1, "file", message, "save it as UTF-8"))
        return empty(name)
    if len(text) > _CHARACTERS_MAX:
        message = f"has {len(text)} characters, more than any such file needs"
        findings.append(Finding(name, 1, "file", message, "is it the right file?"))
        return empty(name)
    tree, finding = _parsed(text, name, listed)
    if finding is not None:
        findings.append(finding)
    return tree


@lru_cache(maxsize=_KEPT_TEXTS)
def _parsed(text: str, name: str, listed: bool) -> tuple[Node, Finding | None]:
    """The tree of a text; kept, because the parser that knows lines is a slow one."""
    try:
        data = YAML(typ="rt").load(text)
        if isinstance(data, CommentedSeq if listed else CommentedMap):
            return _node(data, name, 1, iter(range(_NODES_MAX))), None
    except DuplicateKeyError as error:
        return empty(name), _duplicate(error, name)
    except MarkedYAMLError as error:
        return empty(name), _broken(error, name)
    except YAMLError as error:
        said = str(error).splitlines()[0]  # the other lines name positions of its own
        return empty(name), Finding(name, 1, "file", f"is not YAML: {said}")
    except (_Overlong, RecursionError):
        message = "stands for more values, or deeper ones, than any such file needs"
        return empty(name), Finding(name, 1, "file", message, "write it without aliases (&, *)")
    except ValueError as error:  # a number or date that Python itself will not read
        return empty(name), Finding(name, 1, "file", f"a value cannot be read: {error}")
    wanted = "a list, one entry a line" if listed else "a mapping of keys to values"
    message = "holds no keys" if data is None else f"must be {wanted}"
    return empty(name), Finding(name, 1, "file", message)


def _duplicate(error: DuplicateKeyError, name: str) -> Finding:
    line = error.problem_mark.line + 1 if error.problem_mark else 1
    key = str(error.problem).split('"')[1] if '"' in str(error.problem) else "file"
    return Finding(name, line, key, "is written twice in the same mapping", "remove one of them")


def _broken(error: MarkedYAMLError, name: str) -> Finding:
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else 1
    return Finding(name, line, "file", f"is not YAML: {error.problem or error.context}")


def _node(data: Any, file: str, line: int, budget: Iterator[int]) -> Node:
    """The node of what the loader gave. Raises _Overlong when `budget` is used up."""
    if next(budget, None) is None:
        raise _Overlong
    if isinstance(data, CommentedMap):
        lines = data.lc.data or {}
        pairs = {
            str(key): _node(value, file, lines[key][0] + 1 if key in lines else line, budget)
            for key, value in data.items()
        }
        return Node(pairs, file, line)
    if isinstance(data, CommentedSeq):
        marks = data.lc.data or {}
        items = [
            _node(value, file, marks[place][0] + 1 if place in marks else line, budget)
            for place, value in enumerate(data)
        ]
        return Node(items, file, line)
    return Node(_scalar(data), file, line)


def _scalar(value: Any) -> Any:
    """The round-trip loader's scalars keep their spelling; the site wants plain ones."""
    for plain in (bool, int, float, str):
        if isinstance(value, plain):
            return plain(value)
    if value is None:
        return None
    if isinstance(value, (dt.date, dt.datetime)):
        return value.isoformat()
    return str(getattr(value, "value", value))  # a scalar with a tag of its own: its text


def merge(base: Node, over: Node, findings: list[Finding], path: TreePath = ()) -> Node:
    """`base` overridden by `over`: mappings merge by key, lists of mappings with `id` by id.

    A key set to null removes the inherited key; a list item `{id: 2, remove: true}` removes
    the inherited item. Any other value, other lists too, replaces the inherited one.
    """
    if isinstance(base.value, dict) and isinstance(over.value, dict):
        return _merge_mapping(base, over, findings, path)
    if _by_id(base) and _by_id(over):
        return _merge_items(base, over, findings, path)
    return over


def _merge_mapping(base: Node, over: Node, findings: list[Finding], path: TreePath) -> Node:
    merged = dict(base.value)
    for key, node in over.value.items():
        if node.value is None:
            if merged.pop(key, None) is None:
                findings.append(_nothing_to_remove(node, (*path, key)))
        elif key in merged:
            merged[key] = merge(merged[key], node, findings, (*path, key))
        else:
            merged[key] = node
    return Node(merged, over.file, over.line)


def _merge_items(base: Node, over: Node, findings: list[Finding], path: TreePath) -> Node:
    merged = {item.value["id"].value: item for item in base.value}
    for item in over.value:
        key = item.value["id"].value
        if "remove" in item.value:
            if merged.pop(key, None) is None:
                findings.append(_nothing_to_remove(item, (*path, key)))
        elif key in merged:
            merged[key] = merge(merged[key], item, findings, (*path, key))
        else:
            merged[key] = item
    return Node(list(merged.values()), over.file, over.line)


def _by_id(node: Node) -> bool:
    return isinstance(node.value, list) and all(
        isinstance(item.value, dict)
        and "id" in item.value
        and isinstance(item.value["id"].value, str | int)
        for item in node.value
    )


def _nothing_to_remove(node: Node, path: TreePath) -> Finding:
    text = "is removed here, but the extended site has no such entry"
    return Finding(node.file, node.line, dotted(path), text)


def dotted(path: TreePath) -> str:
    """A path as a person reads it: `lanes[0].runs[1].stroke`."""
    text = ""
    for key in path:
        text += f"[{key}]" if isinstance(key, int) else f".{key}" if text else key
    return text or "file"


def walk(node: Node, path: TreePath = ()) -> Iterator[tuple[TreePath, Node]]:
    """Every node under `node` with its path, parents first."""
    yield path, node
    if isinstance(node.value, dict):
        for key, below in node.value.items():
            yield from walk(below, (*path, key))
    elif isinstance(node.value, list):
        for place, below in enumerate(node.value):
            yield from walk(below, (*path, place))
