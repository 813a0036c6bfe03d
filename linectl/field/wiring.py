"""All buses of a site as one: where each is reached, started and stopped together."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from linectl.errors import UsageError
from linectl.field.bus import Clock, FieldBus
from linectl.field.kept_frames import Sink
from linectl.field.snapshots import BusHealth, Outputs, Snapshot
from linectl.field.tracing import Ring
from linectl.site.hardware import RtuBus
from linectl.site.model import Site

STOP_LIMIT_S = 10.0
"""A bus that has not ended by then is reported; its thread dies with the process."""


class Reach(NamedTuple):
    """Where a bus is: host and TCP port, or (host empty) the path of a serial port."""

    host: str
    port: int | str


def reach_of(site: Site) -> dict[str, Reach]:
    """Where the site's files say that its buses are."""
    return {
        name: Reach("", bus.port) if isinstance(bus, RtuBus) else Reach(bus.host, bus.port)
        for name, bus in site.file.buses.items()
    }


def reach_in(endpoints: Mapping[str, Any], site: Site) -> dict[str, Reach]:
    """Where a running plant says that the site's buses are (the object of `plant --json`).

    Raises UsageError when it is another site's, or a bus is missing.
    """
    if endpoints.get("site") != site.name:
        raise UsageError(
            f"the endpoints are of site {endpoints.get('site')!r}, not of {site.name!r}; "
            f"start `linectl plant` for {site.name}"
        )
    found: dict[str, Reach] = {}
    for row in endpoints.get("endpoints", ()):
        if row.get("kind") == "rtu":
            found[row["bus"]] = Reach("", str(row["path"]))
        else:
            found[row["bus"]] = Reach(str(row["host"]), int(row["port"]))
    if missing := [name for name in site.file.buses if name not in found]:
        raise UsageError(
            f"the endpoints lack bus {', '.join(missing)} of {site.name}; "
            "the plant was started from other files"
        )
    return found


def read_endpoints(path: Path, site: Site) -> dict[str, Reach]:
    """`reach_in` of an endpoints file. Raises UsageError when it cannot be read."""
    try:
        endpoints = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(endpoints, dict):
            raise TypeError("not one JSON object")
        return reach_in(endpoints, site)
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise UsageError(
            f"{path}: not an endpoints file of a running plant ({error}); "
            "`linectl plant SITE --json` prints where it is"
        ) from error


class Field:
    """Every bus of a site. For the scan's thread; the buses' threads are theirs."""

    def __init__(
        self,
        site: Site,
        clock: Clock,
        reach: Mapping[str, Reach] | None = None,
        seed: int = 0,
        tracer: Sink | None = None,
        ring: Ring | None = None,
    ) -> None:
        """tracer: takes every frame. ring: where the last ones go when there is trouble."""
        where = reach or reach_of(site)
        self.buses = tuple(
            FieldBus(site, name, where[name].host, where[name].port, clock, seed, tracer, ring)
            for name in site.file.buses
        )
        by_name = {device.name: device for bus in self.buses for device in bus.devices}
        self._devices = tuple(by_name[name] for name in site.file.devices)

    def start(self) -> None:
        """Start every bus's thread; returns at once."""
        for bus in self.buses:
            bus.start()

    def snapshots(self) -> list[Snapshot]:
        """Each device's latest snapshot, taken once, in the site's order."""
        return [device.snapshot for device in self._devices]

    def publish(self, outputs: Outputs, changed: bool) -> None:
        """Hand a scan's outputs to every bus."""
        for bus in self.buses:
            bus.publish(outputs, changed)

    def health(self) -> list[BusHealth]:
        return [bus.health for bus in self.buses]

    def claimed_by_others(self) -> str | None:
        """Of a device that another controller writes to: which, and who; None if there is none."""
        claims = (device.claim for device in self._devices)
        return next((claim.trouble for claim in claims if claim and claim.theirs), None)

    def failure(self) -> Exception | None:
        """What ended a bus's thread unasked, if any did."""
        return next((bus.failure for bus in self.buses if bus.failure), None)

    def stop(self) -> list[str]:
        """Safe values written, wires closed, threads ended; names of buses that did not end."""
        for bus in self.buses:
            bus.stop()
        return [bus.name for bus in self.buses if not bus.join(STOP_LIMIT_S)]
