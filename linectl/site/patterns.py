"""Patterns in interlocks.yaml: `fill.*` among an effect's outputs is every output of the filler."""

from __future__ import annotations

from collections.abc import Iterable
from fnmatch import fnmatchcase

from linectl.site.hardware import Point
from linectl.site.interlocks import InterlockFile


def matching(pattern: str, tags: Iterable[str]) -> tuple[str, ...]:
    """The tags that `pattern` names, in their order; a plain tag names itself."""
    if "*" not in pattern:
        return tuple(tag for tag in tags if tag == pattern)
    return tuple(tag for tag in tags if fnmatchcase(tag, pattern))


def with_outputs_named(interlocks: InterlockFile, points: Iterable[Point]) -> InterlockFile:
    """The same interlocks with each effect's patterns written out as tags of outputs."""
    outputs = [point.tag for point in points if point.direction == "out"]
    effects = {}
    for name, effect in interlocks.effects.items():
        named = (tag for pattern in effect.outputs for tag in matching(pattern, outputs))
        effects[name] = effect.model_copy(update={"outputs": tuple(dict.fromkeys(named))})
    return interlocks.model_copy(update={"effects": effects})
