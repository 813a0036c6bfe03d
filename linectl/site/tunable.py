"""What may change while a line runs: timers, doses and calibrations, by path, within bounds.

    stations.tamp.press_timeout         any time-out of a station
    lanes.2.germ.timeout                of a run or a transfer of lane 2
    crops.rocket.water_ml               water_ml, substrate_l, seeds_per_gutter
    calibration.doser.factor            doser, water, drum; water.pulses_per_l, drum.crops.rocket
    calibration.doser                   the whole entry at once, as JSON: {"factor": 1.03, …}
    calibration.drives.fill.doser_rate  the entry of a tool's drive that is told in hertz, as JSON

Wiring, interlocks, zones and all other keys of the files are no part of this: they change while the
line stands, with a new start of the controller.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from linectl.errors import UsageError
from linectl.site.calibration import CalibrationFile
from linectl.site.complaints import nearest
from linectl.site.crops import Crop
from linectl.site.digest import digest_of
from linectl.site.durations import format_duration, parse_duration
from linectl.site.fields import Facts
from linectl.site.machine import Lane, Run, Station, Transfer
from linectl.site.model import Site

DOSES = {"substrate_l": "l", "water_ml": "ml", "seeds_per_gutter": "seeds"}
"""Keys of a crop that may be tuned, and their units."""
RATES = ("doser_rate", "flow_rate", "drum_rate")
"""Set-points that are written anew for each gutter: a new calibration of their drives tells."""
ENTRIES = ("doser", "water", "drum")
_FACTOR = ("factor", "pulses_per_l")
_SLACK = (-1e-9, 1e-9)
"""A share of a value is no exact number: what is written as the limit itself is within."""

Kind = Literal["timer", "dose", "factor", "entry"]


class Tunable(NamedTuple):
    """One value that may be tuned."""

    kind: Kind
    value: Any
    """Of a timer in ms, of an entry as plain data; None: an entry that nobody has measured."""
    unit: str = ""
    jam_ms: int | None = None
    """Of a timer: its jam limit, above which nobody may set it."""

    @property
    def text(self) -> str:
        """The value as it is written."""
        if self.kind == "timer":
            return format_duration(self.value)
        if self.kind == "entry":
            return "" if self.value is None else _json(self.value)
        return f"{self.value:.10g}"


def tunables(site: Site) -> dict[str, Tunable]:
    """Every value of a site that may be tuned, by path."""
    file = site.file
    return dict(values_of(file.stations, file.lanes, site.crops.crops, site.calibration))


def values_of(
    stations: Mapping[str, Station],
    lanes: tuple[Lane, ...],
    crops: Mapping[str, Crop],
    calibration: CalibrationFile,
) -> Iterator[tuple[str, Tunable]]:
    """Path and value of all that may be tuned, in the order of the files."""
    for name, station in stations.items():
        for field in type(station).model_fields:
            if field.endswith("_timeout_ms"):
                path = f"stations.{name}.{field.removesuffix('_ms')}"
                jam_ms = station.jam_limits.get(field.removesuffix("_ms"))
                yield path, Tunable("timer", getattr(station, field), jam_ms=jam_ms)
    for lane in lanes:
        parts: tuple[Run | Transfer, ...] = (*lane.runs, *lane.transfers)
        for part in parts:
            path = f"lanes.{lane.id}.{part.name}.timeout"
            yield path, Tunable("timer", part.timeout_ms, jam_ms=part.jam_limit_ms)
    for name, crop in crops.items():
        for field, unit in DOSES.items():
            yield f"crops.{name}.{field}", Tunable("dose", getattr(crop, field), unit)
    yield from _calibrations(calibration)


def _calibrations(calibration: CalibrationFile) -> Iterator[tuple[str, Tunable]]:
    for name in ENTRIES:
        entry: Facts | None = getattr(calibration, name)
        here = f"calibration.{name}"
        yield here, Tunable("entry", None if entry is None else _plain(entry))
        for field in _FACTOR:
            if (value := getattr(entry, field, None)) is not None:
                yield f"{here}.{field}", Tunable("factor", value)
    if calibration.drum is not None:
        for crop, factor in calibration.drum.crops.items():
            yield f"calibration.drum.crops.{crop}", Tunable("factor", factor)
    for tag, drive in calibration.drives.items():
        if tag.endswith(RATES):
            yield f"calibration.drives.{tag}", Tunable("entry", _plain(drive))


def limits(site: Site, path: str) -> tuple[float, float] | None:
    """The least and the most a value may be tuned to; None for what only its own schema limits.

    site: as the controller started with it, so that many small steps come to no large one. A value
    with neither bounds nor share has both limits where it stands.
    """
    bounds, share = site.file.tuning.bounds.get(path), site.file.tuning.share
    found = tunables(site).get(path)
    if bounds is not None:
        least, most = bounds.least, bounds.most
    elif found is None or found.kind in ("factor", "entry"):
        return None
    else:
        least, most = found.value * (1 - share), found.value * (1 + share)
    jam_ms = found.jam_ms if found is not None else None
    return least, most if jam_ms is None else min(most, jam_ms)


def tuned(site: Site, base: Site, path: str, text: str) -> Site:
    """The site with that one value changed, within the bounds that `base` gives; its digest too.

    Raises UsageError that says what is wrong: no such path, no such value, out of bounds.
    """
    known = tunables(site)
    if path not in known:
        raise UsageError(_no_path(path, known))
    value = _value(path, known[path], text)
    after = _changed(site, path.split("."), known[path], value)
    _hold_within(base, after, path)
    file, crops, calibration = after.file, after.crops, after.calibration
    digest = digest_of(file, after.points, crops, after.interlocks, calibration)
    return after.model_copy(update={"digest": digest})


def _no_path(path: str, known: Mapping[str, Tunable]) -> str:
    near = nearest(path, known)
    if near is None:
        near = "time-outs of stations and lanes, doses of crops and calibrations may be"
    return f"{path!r} cannot be tuned on a running line; {near}"


def _hold_within(base: Site, after: Site, path: str) -> None:
    """Raises UsageError if the value, or one of the entry's own values, is out of bounds."""
    for each, found in tunables(after).items():
        if each != path and not each.startswith(f"{path}."):
            continue
        between = limits(base, each)
        if between is None or found.kind == "entry":
            continue
        least, most = (limit * (1 + slack) for limit, slack in zip(between, _SLACK, strict=True))
        if not least <= found.value <= most:
            raise UsageError(_out_of_bounds(base, each, found, between))


def _out_of_bounds(base: Site, path: str, found: Tunable, between: tuple[float, float]) -> str:
    least, most = (shown(found, limit) for limit in between)
    share = base.file.tuning.share
    if found.jam_ms is not None and found.value > found.jam_ms:
        return f"{path} {found.text} is above its jam limit, {format_duration(found.jam_ms)}"
    why = f"tuning.bounds of site.yaml says so for {path}"
    if path not in base.file.tuning.bounds:
        why = f"{share:.0%} up and down of what the controller started with (tuning.share)"
    return (
        f"{path} {shown(found, found.value)} is outside {least} to {most}: {why}. What is wanted"
        " beyond that is written into the file while the line stands, and the controller started"
        " anew"
    )


def shown(found: Tunable, value: float) -> str:
    """A value of that kind as people read it: `5s`, `540 ml`, `1.03`."""
    text = format_duration(round(value)) if found.kind == "timer" else f"{value:.6g} {found.unit}"
    return text.strip()


# one value --------------------------------------------------------------------------------------


def _value(path: str, found: Tunable, text: str) -> Any:
    """What was written, as the file would hold it. Raises UsageError."""
    try:
        if found.kind == "timer":
            return parse_duration(text)
        return json.loads(text)
    except ValueError as error:
        said = str(error) if found.kind == "timer" else f"{text!r} is no value of it"
        raise UsageError(f"{path}: {said}; it is {found.text or 'not there yet'} now") from None


def _changed(site: Site, path: list[str], found: Tunable, value: Any) -> Site:
    """The site with the value; its digest is still the old one. Raises UsageError."""
    if path[0] == "calibration":
        calibration = site.calibration
        calibrated = _calibrated(calibration, path[1:], value)
        return site.model_copy(update={"calibration": calibrated})
    if path[0] == "crops":
        crops = site.crops.crops
        crop = _with(crops[path[1]], path[2], value, path)
        doses = site.crops.model_copy(update={"crops": {**crops, path[1]: crop}})
        return site.model_copy(update={"crops": doses})
    file = site.file
    if path[0] == "stations":
        station = _with(file.stations[path[1]], f"{path[2]}_ms", value, path)
        made = file.model_copy(update={"stations": {**file.stations, path[1]: station}})
    else:
        lanes = [
            _lane(lane, path, value) if str(lane.id) == path[1] else lane for lane in file.lanes
        ]
        made = file.model_copy(update={"lanes": tuple(lanes)})
    return site.model_copy(update={"file": made})


def _lane(lane: Lane, path: list[str], value: int) -> Lane:
    if str(lane.id) != path[1]:
        return lane

    def done(part: Any) -> Any:
        return _with(part, "timeout_ms", value, path) if part.name == path[2] else part

    runs, transfers = (tuple(map(done, parts)) for parts in (lane.runs, lane.transfers))
    return lane.model_copy(update={"runs": runs, "transfers": transfers})


def _calibrated(file: CalibrationFile, path: list[str], value: Any) -> CalibrationFile:
    name = path[0]
    if name == "drives":
        tag = ".".join(path[1:])
        entry = _checked(type(file.drives[tag]), value, ["calibration", *path])
        return file.model_copy(update={"drives": {**file.drives, tag: entry}})
    if len(path) == 1:
        (kind,) = (each for each in _types(CalibrationFile.model_fields[name]) if each is not None)
        return file.model_copy(update={name: _checked(kind, value, ["calibration", *path])})
    entry = getattr(file, name)
    if path[1] == "crops":
        data = {**_plain(entry), "crops": {**entry.crops, path[2]: value}}
        made = _checked(type(entry), data, ["calibration", *path])
    else:
        made = _with(entry, path[1], value, ["calibration", *path])
    return file.model_copy(update={name: made})


def _with(facts: Any, field: str, value: Any, path: list[str]) -> Any:
    """The facts with one field changed, held to the field's own schema. Raises UsageError."""
    info = type(facts).model_fields[field]
    written = format_duration(value) if field.endswith("_ms") else value
    kind: Any = Annotated[(info.annotation, *info.metadata)]
    checked = _checked(kind, written, path)
    return facts.model_copy(update={field: checked})


def _checked(kind: Any, value: Any, path: list[str]) -> Any:
    """A value held to its schema, as strictly as a file is. Raises UsageError."""
    try:
        return TypeAdapter(kind).validate_json(json.dumps(value), strict=True)
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        where = ".".join((*path, *(str(key) for key in detail["loc"])))
        said = detail["msg"].removeprefix("Value error, ")
        raise UsageError(f"{where}: {said[:1].lower()}{said[1:]}") from None


def _types(info: FieldInfo) -> tuple[Any, ...]:
    """The members of an optional field's type."""
    members: tuple[Any, ...] = getattr(info.annotation, "__args__", (info.annotation,))
    return tuple(None if member is type(None) else member for member in members)


def _plain(entry: Facts) -> dict[str, Any]:
    """The entry as the file would write it, without what is as usual."""
    return entry.model_dump(mode="json", by_alias=True, exclude_defaults=True)


def _json(data: Any) -> str:
    return json.dumps(data, sort_keys=True, ensure_ascii=False)
