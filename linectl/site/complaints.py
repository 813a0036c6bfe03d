"""Turns what the schema refuses into findings: file, line, key, what is wrong, what is right."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable
from functools import cache
from typing import Any, TypeVar

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from linectl.errors import Finding
from linectl.site.sheet import Node, TreePath, dotted, walk

Model = TypeVar("Model", bound=BaseModel)


def nearest(word: str, valid: Iterable[str]) -> str | None:
    """A hint that names the valid word closest to `word`, or lists a few valid ones."""
    names = sorted(set(valid))
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if close:
        return f"nearest valid name: {close[0]}"
    if not names:
        return None
    if len(names) <= 12:
        return "valid: " + ", ".join(names)
    return None


def validated(model: type[Model], tree: Node, findings: list[Finding]) -> Model | None:
    """The tree as `model`, or None with every complaint added to `findings`.

    JSON strict mode: no text taken for a number, no true for 1, no 1.5 for a whole number.
    """
    data = tree.plain()
    unknown = unknown_keys(model, tree)
    findings += unknown
    try:
        checked = model.model_validate_json(json.dumps(data), strict=True)
    except ValidationError as error:
        known = {(f.line, f.key) for f in unknown}
        for detail in error.errors(include_url=False):
            finding = _finding(tree, detail)
            if finding is not None and (finding.line, finding.key) not in known:
                known.add((finding.line, finding.key))
                findings.append(finding)
        return None
    return None if unknown else checked


def part(kind: Any, node: Node | None) -> Any:
    """The node as `kind`, or None if it is absent or wrong (`validated` has said why)."""
    if node is None:
        return None
    try:
        return _adapter(kind).validate_json(json.dumps(node.plain()), strict=True)
    except ValidationError:
        return None


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    """Built once for each kind: it takes longer than all that is read with it."""
    return TypeAdapter(kind)


@cache
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    """The model's JSON Schema; read, never altered."""
    return model.model_json_schema(by_alias=True)


def _finding(tree: Node, detail: ErrorDetails) -> Finding | None:
    """One complaint of the schema; None for an unknown key, which `unknown_keys` reports."""
    kind = detail["type"]
    if kind == "extra_forbidden":
        return None
    path = _path(tree, detail["loc"], keep_last=kind == "missing")
    if kind == "union_tag_invalid":
        path = (*path, str(detail["ctx"]["discriminator"]).strip("'"))
    node = tree.at(path)
    return Finding(node.file, node.line, dotted(path), _text(detail), _hint(detail))


def _path(tree: Node, loc: tuple[int | str, ...], keep_last: bool) -> TreePath:
    """The keys of `loc` that stand in the file; the names of alternatives are left out."""
    path: list[int | str] = []
    node = tree
    for place, key in enumerate(loc):
        below = node.child(key)
        if below is not None:
            node = below
            path.append(key)
        elif keep_last and place == len(loc) - 1:
            path.append(key)
    return tuple(path)


def _text(detail: ErrorDetails) -> str:
    context = detail.get("ctx", {})
    given = detail["input"]
    shown = repr(given) if isinstance(given, (str, int, float, bool)) else "this"
    match detail["type"]:
        case "missing":
            return "is missing"
        case "value_error":
            return str(context["error"])
        case "literal_error":
            return f"{shown} is not one of {context['expected'].replace(' or ', ', ')}"
        case "union_tag_invalid":
            return f"{context['tag']!r} is not a kind; known: {context['expected_tags']}"
        case "union_tag_not_found":
            return f"needs the key {context['discriminator']} to say what it is"
        case "greater_than":
            return f"{shown} must be above {context['gt']}"
        case "greater_than_equal":
            return f"{shown} must be at least {context['ge']}"
        case "less_than_equal":
            return f"{shown} must be at most {context['le']}"
        case "less_than":
            return f"{shown} must be below {context['lt']}"
        case "string_pattern_mismatch":
            return f"{shown} is not a name; use lower-case letters, digits and underscores"
        case "int_type" | "int_from_float":
            return f"{shown} is not a whole number"
        case "float_type":
            return f"{shown} is not a number"
        case "bool_type":
            return f"{shown} is neither true nor false"
        case "string_type":
            quoted = isinstance(given, (int, float)) and not isinstance(given, bool)
            return f"{shown} is not text" + ("; write it in quotes" if quoted else "")
        case "model_type" | "dict_type" | "model_attributes_type":
            return f"{shown} must be a mapping of keys to values"
        case "tuple_type" | "list_type":
            return f"{shown} must be a list"
        case "too_short":
            return f"needs at least {context['min_length']} entry"
    return str(detail["msg"])


def _hint(detail: ErrorDetails) -> str | None:
    context = detail.get("ctx", {})
    given = detail["input"]
    if detail["type"] == "literal_error" and isinstance(given, str):
        names = context["expected"].replace(" or ", ", ").split(", ")
        return nearest(given, [name.strip("'") for name in names])
    if detail["type"] == "union_tag_invalid":
        names = str(context["expected_tags"]).split(", ")
        return nearest(str(context["tag"]), [name.strip("'") for name in names])
    return None


def unknown_keys(model: type[BaseModel], tree: Node) -> list[Finding]:
    """A finding for each key that the model's JSON Schema does not have, at its own line."""
    schema = _schema(model)
    found = []
    for path, node in walk(tree):
        if not isinstance(node.value, dict):
            continue
        allowed = _keys_at(schema, tree, path)
        if allowed is None:
            continue
        for key, below in node.value.items():
            if key not in allowed:
                text = "is not a key that this place knows"
                hint = nearest(key, allowed)
                found.append(Finding(below.file, below.line, dotted((*path, key)), text, hint))
    return found


def _keys_at(schema: dict[str, Any], tree: Node, path: TreePath) -> set[str] | None:
    """Keys that the schema allows at `path`, or None where any key may stand."""
    here: dict[str, Any] = schema
    node = tree
    here = _resolve(schema, here, node)
    for key in path:
        below = node.child(key)
        if below is None:
            return None
        if isinstance(key, int):
            here = here.get("items", {})
        elif key in here.get("properties", {}):
            here = here["properties"][key]
        else:
            patterns = list(here.get("patternProperties", {}).values())
            more = here.get("additionalProperties")
            here = patterns[0] if patterns else more if isinstance(more, dict) else {}
        node = below
        here = _resolve(schema, here, node)
    if here.get("additionalProperties") is False and "properties" in here:
        return set(here["properties"])
    return None


def _resolve(schema: dict[str, Any], here: dict[str, Any], node: Node) -> dict[str, Any]:
    """Follows references and picks the alternative that the node's `kind` names."""
    while True:
        if "$ref" in here:
            here = schema["$defs"][here["$ref"].rsplit("/", 1)[1]]
        elif "discriminator" in here:
            kind = node.child(here["discriminator"]["propertyName"])
            known = here["discriminator"]["mapping"]
            name = known.get(kind.value) if kind and isinstance(kind.value, str) else None
            here = {"$ref": name} if name else {}
        elif "anyOf" in here:
            wanted = "object" if isinstance(node.value, dict) else "array"
            fits = [a for a in here["anyOf"] if "$ref" in a or a.get("type") == wanted]
            here = fits[0] if fits else {}
        else:
            return here
