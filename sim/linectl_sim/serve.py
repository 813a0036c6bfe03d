"""The plant as Modbus devices on this machine, in real time: sockets and pseudo-terminals.

Beside the buses a port for the rehearsal's own talk (JSON lines, `control` in the endpoints):

    {"do": verb, "part": …, "options": {…}}   a scenario's verb, now
    {"told": [move]}                          moves of the controller's ledger, for the auditor
    {"stock": [slot]}                         gutters standing in the lanes at the start
    {"places": true}                          → {"now_ms": …, "places": {name: gutter or null},
                                                 "tamped": [gutter], "moving": [zone],
                                                 "last": move, "open": [move]}:
                                                 the bodies, and the moves told so far
    {"moved": who}                            → {"moved": {tag: {"on": …, "on_ms": …,
                                                 "direction": ±1, "mm": …, "way": …}}}: actuators
                                                 that are on or moved since that one asked last
    {"switched": who}                         → {"switched": [[at_ms, tag, on]]}: each time that
                                                 an actuator came on or went off since then
    {"set_points": true}                      → {"set_points": {tag: number}}: what each device
                                                 that is told a number shows of it now
    {"weigh": part}                           → {"weighed": {…}}: what the vessel there holds,
                                                 which is emptied (see linectl_sim.vessels)
    {"hidden": true}                          → {"hidden": {…}}: what the machine truly is, or
                                                 null (see linectl_sim.hidden)
    {"report": true}                          → {"report": counts, lanes, violations}
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import linectl_sim
from linectl.image import Slot
from linectl.site.model import Site
from linectl.site.scenario import Action
from linectl_sim.serve_plant import PlantServer, Stop


def serve(
    site: Site,
    seed: int,
    stop: Stop,
    *,
    announce: Callable[[dict[str, Any]], None] | None = None,
    endpoints_file: Path | None = None,
    slots: Sequence[Slot] = (),
    actions: Iterable[Action | tuple[Any, ...]] = (),
    tls: Path | None = None,
    hidden: int | None = None,
) -> dict[str, Any]:
    """Serve the site's plant until `stop` is set; the plant's report then.

    Writes the endpoints file and calls `announce` with the object of `plant --json` when every
    device answers. A file that is named stays, and a plant started with it again takes the same
    ports; otherwise it lies in the temporary folder and is gone at the end. `actions`: scenario
    verbs at their times; those of the verb `command` are the controller's and passed over.
    `tls`: the folder with the devices' certificates, needed for TLS buses. `hidden`: the seed of
    factors that the controller has not been told (verb `hidden factors`). Raises UsageError
    for a verb, part or kind the plant has not, and for certificates that do not do.
    """
    plant = linectl_sim.open(site, seed)
    if hidden is not None:
        plant.do("hidden factors", seed=hidden)
    if slots:
        plant.stock(list(slots))
    server = PlantServer(site, plant, actions, tls=tls, seed=seed)
    path, ours = _endpoints_path(site, endpoints_file)
    try:
        endpoints = server.open(path) | {"file": str(path)}
        try:
            _write_whole(path, endpoints)
            if announce:
                announce(endpoints)
            server.run(stop)
        finally:
            server.close()
    finally:
        if ours:
            path.unlink(missing_ok=True)
    report: dict[str, Any] = plant.report()
    return report


def _endpoints_path(site: Site, named: Path | None) -> tuple[Path, bool]:
    """Where the endpoints go, and whether that file is ours to remove at the end."""
    if named is not None:
        return named, False
    handle, made = tempfile.mkstemp(".json", f"linectl-plant-{site.name}-")
    os.close(handle)
    return Path(made), True


def _write_whole(path: Path, endpoints: dict[str, Any]) -> None:
    """Write the file whole or not at all."""
    draft = path.with_name(path.name + ".part")
    draft.write_text(json.dumps(endpoints, indent=1) + "\n", encoding="utf-8")
    draft.replace(path)
