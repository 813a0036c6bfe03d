"""What blends went in a stretch of time, from the line's events: asked, gone, skipped, made up."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linectl.image import Event
from linectl.line.blend_run import BlendRun, rows
from linectl.site.model import Site

KINDS = ("blend", "gutter_weight")


def yields_kg(site: Site) -> dict[str, float]:
    """What crops.yaml expects of a gutter of each crop, kg."""
    return {name: crop.yield_kg for name, crop in site.crops.crops.items()}


class BlendAccount:
    """Adds up events from time 0 on; one from before says only which blend is followed."""

    def __init__(self) -> None:
        self._told: list[dict[str, Any]] = []
        self._runs: dict[int, tuple[BlendRun, dict[str, Any]]] = {}
        self._followed: BlendRun | None = None

    def take(self, event: Event) -> None:
        """Events in order of time, of the kinds in KINDS. Times ms."""
        data = event.data
        if event.kind == "gutter_weight":
            if event.at >= 0 and self._followed is not None:
                self._followed.weigh(str(data["crop"]), float(data["kg"]))
            return
        if not data["cycle"]:
            self._followed = None
            return
        run, told = self._runs.get(data["run"]) or self._open(event)
        run.owed = list(data["owed"])
        if data["stage"] == "went" and event.at >= 0:
            _add(run, data)
            run.beside += data["beside"] - told["beside"]
        told["beside"] = data["beside"]
        told["heard_s"] = event.at / 1000
        self._followed = run
        if data["stage"] == "ended":
            told["to_s"], told["ended_by"] = event.at / 1000, data["ended_by"]
            self._followed = None

    def _open(self, event: Event) -> tuple[BlendRun, dict[str, Any]]:
        data = event.data
        run = BlendRun()
        run.begin(data["name"], data["by"], data["cycle"], ())
        told = {"run": data["run"], "name": data["name"], "by": data["by"], "ended_by": None,
                "from_s": event.at / 1000, "to_s": None, "beside": data["beside"]}  # fmt: skip
        self._runs[data["run"]] = run, told
        self._told.append(told)
        return run, told

    def rows(self, yields_kg: Mapping[str, float]) -> list[dict[str, Any]]:
        """Every blend that was followed, in order: run, name, by, from_s, to_s and ended_by (None:
        it is followed still), ejected (gutters of it), beside (of no crop of it), owed (crops, the
        oldest debt first) and crops, as `blend_run.rows` tells them, of this stretch alone."""
        found = []
        for told in self._told:
            if told["heard_s"] < 0 and told["to_s"] is not None:
                continue  # over before the stretch began
            run, _ = self._runs[told["run"]]
            kept = {name: told[name] for name in told if name not in ("beside", "heard_s")}
            found.append(
                {**kept, "ejected": sum(run.gone), "beside": run.beside, "owed": list(run.owed),
                 "crops": rows(run, yields_kg)}
            )  # fmt: skip
        return found


def _add(run: BlendRun, data: Mapping[str, Any]) -> None:
    """What one `went` tells, added to the counts."""
    counts = [(run.skipped, data["skipped"]), (run.turns, data["skipped"]),
              (run.forgiven, data["forgiven"])]  # fmt: skip
    if data["crop"] in run.crops:
        own = run.made_up if data["made_up"] else run.turns
        counts += [(run.gone, [data["crop"]]), (own, [data["crop"]])]
    for totals, crops in counts:
        for crop in crops:
            totals[run.crops.index(crop)] += 1
