"""JSON Schema of a site's YAML files, for editors that complete and check while one types.

The schemas are those of the classes that read the files, loosened where a site that extends
another writes less: there nothing is required, and null removes.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from linectl.site.calibration import CalibrationFile
from linectl.site.crops import CropFile
from linectl.site.interlocks import InterlockFile
from linectl.site.model import SiteFile

DIALECT = "https://json-schema.org/draft/2020-12/schema"
MODELS: Mapping[str, type[BaseModel]] = {
    "site.yaml": SiteFile,
    "interlocks.yaml": InterlockFile,
    "crops.yaml": CropFile,
    "calibration.yaml": CalibrationFile,
}


def schema_of(file: str) -> dict[str, Any]:
    """The JSON Schema of a whole file, by its name: `site.yaml`, `crops.yaml` and so on.

    Raises KeyError for any other name.
    """
    schema = MODELS[file].model_json_schema(by_alias=True)
    return {"$schema": DIALECT, "title": file, **{k: v for k, v in schema.items() if k != "title"}}


def extension_schema_of(file: str) -> dict[str, Any]:
    """The same for a file of a site that extends another: any part may be left out or removed."""
    schema = copy.deepcopy(schema_of(file))
    _loosen(schema)
    if "Lane" in schema.get("$defs", {}):
        schema["$defs"]["Lane"]["properties"]["remove"] = {"const": True}
    return schema


def _loosen(node: Any) -> None:
    """Drops what is required, and lets null stand in place of any entry of a mapping."""
    if isinstance(node, list):
        for item in node:
            _loosen(item)
        return
    if not isinstance(node, dict):
        return
    node.pop("required", None)
    if "discriminator" in node and "oneOf" in node:
        node.pop("discriminator")
        node["anyOf"] = node.pop("oneOf")
    for key in ("properties", "patternProperties"):
        for name, below in node.get(key, {}).items():
            node[key][name] = {"anyOf": [below, {"type": "null"}]}
    for below in node.values():
        _loosen(below)
