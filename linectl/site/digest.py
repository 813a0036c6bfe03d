"""The digest of a site: one text for what all its files say, however they are spelt."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Any

from linectl.site.calibration import CalibrationFile
from linectl.site.crops import CropFile
from linectl.site.hardware import Point
from linectl.site.interlocks import InterlockFile
from linectl.site.model import Site, SiteFile


def digest_of(
    file: SiteFile,
    points: Sequence[Point],
    crops: CropFile,
    interlocks: InterlockFile,
    calibration: CalibrationFile,
) -> str:
    """SHA-256 over what the files say, resolved; spelling, order of keys and lines do not count."""
    content: list[Any] = [file.model_dump(mode="json"), crops.model_dump(mode="json")]
    content += [interlocks.model_dump(mode="json"), calibration.model_dump(mode="json")]
    content.append([point.model_dump(mode="json", exclude={"line"}) for point in points])
    return _hash(content)


def fixed_digest(site: Site) -> str:
    """The same without what may be tuned while the line runs: timers, doses, calibrations.

    What is wired, and what stops what, has changed only if this has.
    """
    file = site.file.model_dump(mode="json", exclude={"tuning"})
    for station in file["stations"].values():
        for key in [key for key in station if key.endswith("_timeout_ms")]:
            del station[key]
    for lane in file["lanes"]:
        for part in (*lane["runs"], *lane["transfers"]):
            del part["timeout_ms"]
    interlocks = site.interlocks.model_dump(mode="json")
    points = [point.model_dump(mode="json", exclude={"line"}) for point in site.points]
    return _hash([file, sorted(site.crops.crops), interlocks, points])


def _hash(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
