"""The plant that a bench drives: the protocol, and how an installed plant model is found."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import entry_points
from typing import Any, Protocol

from linectl.errors import PlantMissing
from linectl.image import Move, Slot, Value
from linectl.site.model import Site


class Plant(Protocol):
    """A plant model in virtual time (integer milliseconds since start).

    `changed` collects input points whose value differs since `take_changed` last emptied it
    (counters never announce themselves). `read` gives engineering values.
    """

    now: int

    def stock(self, slots: list[Slot]) -> None:
        """Stand these gutters in the lanes; called once, before time runs."""

    def run_until(self, limit: int) -> int:
        """Advance to `limit`, or stop at the first instant an input point changes; that time."""

    def take_changed(self) -> list[int]:
        """Indices of announcing inputs changed since the last call, ascending."""

    def read(self, index: int) -> Value:
        """Present value of a point, input or output."""

    def write(self, index: int, value: Value) -> None:
        """An output arrives at its device now."""

    def answers(self, device: str) -> bool:
        """False while the device is silent or without power."""

    def do(self, verb: str, part: str = "", **options: Any) -> None:
        """A scenario's verb, now. Unknown verb, part or kind: linectl.errors.UsageError."""

    def places(self) -> dict[str, int | None]:
        """Every place: the id of its gutter (−1: never told to the plant), or None if empty."""

    def told(self, move: Move) -> None:
        """The controller's ledger move, for the auditor to hold against the bodies."""

    def moved(self, who: str = "") -> dict[str, dict[str, Any]]:
        """What somebody at the machine sees: actuators, by the tag of their output, that are on
        or have moved since `who` asked last.

        Keys: on (now), on_ms, direction (+1 the right way, −1 backwards), mm and way (share of a
        stroke), each None where it does not apply.
        """

    def weigh(self, part: str) -> dict[str, Any]:
        """What fell into the vessel under `part` (verb `put vessel`), which is emptied.

        fill: l and kg. water: ml and kg. seed: seeds, and the cells that passed: cells, empty,
        multiple. UsageError where no vessel stands.
        """

    def hidden(self) -> dict[str, Any] | None:
        """What the machine truly is after `hidden factors`, else None. Keys: doser, water, drum
        (what comes for each one asked), pulses_per_l, best_kpa, encoders, drives."""

    def sown(self) -> list[dict[str, Any]]:
        """Where seeds lie on the gutters sown so far: a row a seed, or a cell of several seeds.

        Keys: gutter, crop, row, vacuum_kpa, spacing_mm (from the seed before; None for the first
        and for cells) and seeds (in a cell; None for single seeds).
        """

    def report(self) -> dict[str, Any]:
        """Counts from bodies: `gutters`, `lanes`, `violations` as in the rehearsal's JSON, and
        `packed`: what people in the hall took (at_ms, gutter, crop, kg)."""


def open_plant(site: Site, seed: int) -> Plant:
    """The installed plant model. Raises PlantMissing when none is installed."""
    plant: Plant = _load("plant")(site, seed)
    return plant


def open_server() -> Callable[..., dict[str, Any]]:
    """The installed plant model's `serve`: the plant as Modbus devices, until told to stop.

    `serve(site, seed, stop, *, announce, endpoints_file, slots, actions, tls, hidden)` returns the
    plant's report. Raises PlantMissing when none is installed.
    """
    serve: Callable[..., dict[str, Any]] = _load("serve")
    return serve


def _load(name: str) -> Callable[..., Any]:
    for entry in entry_points(group="linectl.plant", name=name):
        loaded: Callable[..., Any] = entry.load()
        return loaded
    raise PlantMissing(
        f"no plant model is installed (entry point linectl.plant, {name}); "
        "install linectl with its sim"
    )
