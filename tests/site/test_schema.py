"""The exported JSON Schemas: shipped files fit them, and they refuse what the reader refuses."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from linectl.site.schema import MODELS, extension_schema_of, schema_of
from linectl.site.sheet import read_yaml

CONFIG = Path(__file__).parents[2] / "config"
FILES = sorted(path for name in MODELS for path in CONFIG.glob(f"*/{name}"))


def _data(path: Path) -> Any:
    return read_yaml(path, path.name, []).plain()


def _extends(path: Path) -> bool:
    return "extends" in _data(path.with_name("site.yaml"))


@pytest.mark.parametrize("name", MODELS)
def test_each_schema_is_a_schema(name: str) -> None:
    Draft202012Validator.check_schema(schema_of(name))
    Draft202012Validator.check_schema(extension_schema_of(name))


@pytest.mark.parametrize("path", FILES, ids=[f"{p.parent.name}/{p.name}" for p in FILES])
def test_a_shipped_file_fits_its_schema(path: Path) -> None:
    schema = (extension_schema_of if _extends(path) else schema_of)(path.name)
    errors = list(Draft202012Validator(schema).iter_errors(_data(path)))
    assert not errors, errors[0].message


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("scan",), 10),
        (("scan",), "10 ms"),
        (("gutter", "length_mm"), "1800"),
        (("gutter", "lenght_mm"), 1800),
        (("stations", "fill", "kind"), "filler"),
        (("lanes",), []),
    ],
)
def test_an_editor_refuses_what_the_reader_refuses(path: tuple[str, ...], value: object) -> None:
    data = _data(CONFIG / "small" / "site.yaml")
    place = data
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    assert list(Draft202012Validator(schema_of("site.yaml")).iter_errors(data))
