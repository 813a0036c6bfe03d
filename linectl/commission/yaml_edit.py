"""Changes values in a YAML file that a person wrote: only lines that must change are changed.

Comments, spacing and all else stay. Where the place cannot be found for certain nothing is changed.
"""

from __future__ import annotations

import difflib
import io
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import YAMLError

from linectl.errors import UsageError

_BOM = "\ufeff"


def edited(text: str, change: Callable[[CommentedMap], None], by_hand: str) -> str:
    """The text after `change` has been made to what it says.

    by_hand: the sentence for a person who must make it by hand. Raises UsageError with it if the
    change cannot be transplanted into the text as it is spelt.
    """
    crlf = "\r\n" in text
    clean = text.removeprefix(_BOM).replace("\r\n", "\n")
    try:
        plain = _dumped(_loaded(clean))
        data = _loaded(clean)
        change(data)
        after = _transplanted(clean, plain, _dumped(data))
        right = after is not None and _loaded(after) == data and _remarks(clean) <= _remarks(after)
    except (YAMLError, AttributeError, TypeError, KeyError, IndexError):
        after, right = None, False
    if after is None or not right:
        raise UsageError(by_hand)
    after = after.replace("\n", "\r\n") if crlf else after
    return (_BOM if text.startswith(_BOM) else "") + after


def spelt(data: Mapping[str, Any]) -> str:
    """A new part of a file, as it is written where there was none."""
    return _dumped(CommentedMap(data))


def put(data: CommentedMap, keys: Sequence[str | int], value: Any) -> None:
    """Set the value under `keys`; mappings on the way are made where there is none."""
    at: Any = data
    for key in keys[:-1]:
        at = at[key] if isinstance(key, int) else under(at, key, flow=False)
    last = keys[-1]
    if isinstance(last, str) and last not in at:
        at.insert(place_for_new(at), last, value)
    else:
        at[last] = value


def under(mapping: CommentedMap, key: str, flow: bool = True) -> CommentedMap:
    """The mapping under a key, made if there is none."""
    if key not in mapping:
        made = CommentedMap()
        mapping.insert(place_for_new(mapping), key, in_one_line(made) if flow else made)
    found: CommentedMap = mapping[key]
    return found


def place_for_new(mapping: CommentedMap) -> int:
    """Where a new key goes: last, but not behind a comment that belongs to what follows."""
    keys = list(mapping)
    if mapping.fa.flow_style():
        return len(keys)
    for place in range(len(keys), 0, -1):
        value = mapping[keys[place - 1]]
        nested = isinstance(value, CommentedMap | CommentedSeq) and not value.fa.flow_style()
        tokens = [token for token in mapping.ca.items.get(keys[place - 1], []) if token]
        if not nested and not any(_goes_on(token) for token in tokens):
            return place
    return 0


def _goes_on(comment: Any) -> bool:
    """True if a comment behind a value has more lines than the value's own."""
    parts = comment if isinstance(comment, list) else [comment]
    return bool(sum(part.value.count("\n") for part in parts) > 1)


def _remarks(text: str) -> Counter[str]:
    """The lines that are comments, and how often each stands there."""
    return Counter(line.strip() for line in text.splitlines() if line.lstrip().startswith("#"))


def in_one_line(collection: Any) -> Any:
    """Written in one line: `{…}` or `[…]`."""
    collection.fa.set_flow_style()
    return collection


def _yaml() -> YAML:
    yaml = YAML(typ="rt")
    yaml.preserve_quotes = True
    yaml.width = 1 << 16
    yaml.indent(mapping=2, sequence=4, offset=2)
    return yaml


def _loaded(text: str) -> Any:
    return _yaml().load(text)


def _dumped(data: Any) -> str:
    out = io.StringIO()
    _yaml().dump(data, out)
    return out.getvalue()


def _transplanted(text: str, plain: str, changed: str) -> str | None:
    """The changes from `plain` to `changed` made in `text`, which says the same as `plain`.

    `plain` is how the writer would have spelt `text`: only lines that both have may change. None if
    a changed line is spelt otherwise there.
    """
    old, spelt, new = text.splitlines(True), plain.splitlines(True), changed.splitlines(True)
    place: dict[int, int] = {}
    for block in difflib.SequenceMatcher(None, spelt, old, autojunk=False).get_matching_blocks():
        place.update((block.a + n, block.b + n) for n in range(block.size))
    edits = difflib.SequenceMatcher(None, spelt, new, autojunk=False).get_opcodes()
    for kind, first, end, new_first, new_end in reversed(edits):
        if kind == "equal":
            continue
        touched = list(range(first, end)) or [max(first - 1, 0)]
        if any(line not in place for line in touched):
            return None
        start = place[touched[0]] + (0 if end > first else 1)
        old[start : start + end - first] = new[new_first:new_end]
    return "".join(old)
