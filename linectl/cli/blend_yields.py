"""Which yields a blend is reckoned with: crops.yaml's, those the ledger has corrected, or typed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl.cli.blend_asked import crops_equal, masses
from linectl.cli.run import LEDGER
from linectl.cli.screen import complain
from linectl.crop.blending import Wanted
from linectl.crop.blends import Yield
from linectl.crop.yields import Running
from linectl.errors import LedgerUnreachable, UsageError
from linectl.ledger.yield_reading import corrected
from linectl.site.model import Site

FILE, RECORD, TYPED = "crops.yaml", "ledger", "typed"
YIELDS_FROM = ("file", "ledger")
TYPED_SPREAD = 0.1
"""Standard deviation between gutters by the yield, where nobody has told it: as in crops.yaml
(common practice, no source)."""


@dataclass(frozen=True)
class Used:
    """The yields a blend is reckoned with. source: crops.yaml, ledger or typed; running: what the
    record has corrected; remarks: what of it could not be used."""

    source: str
    yields: Mapping[str, Yield]
    running: Mapping[str, Running]
    remarks: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Keys as `blend --json` prints them under "yields"."""
        crops: dict[str, dict[str, Any]] = {}
        for crop, each in self.yields.items():
            crops[crop] = vars(each) | {"weighings": 0, "gutters": 0}
            if crop in self.running:
                told = self.running[crop]
                crops[crop] |= {"weighings": told.weighings, "gutters": told.gutters}
        doubts = [
            {"crop": doubt.weighing.crop, "what": doubt.weighing.what, "kg": doubt.weighing.kg,
             "gutters": doubt.weighing.gutters, "expected_kg": doubt.expected_kg,
             "counted": doubt.counted}
            for told in self.running.values() for doubt in told.doubts
        ]  # fmt: skip
        return {
            "from": self.source, "crops": crops, "doubts": doubts, "remarks": list(self.remarks)
        }  # fmt: skip


def yields_used(site: Site | None, said: str, ledger: Path | None, wanted: Wanted) -> Used:
    """Yields as they are to be taken. Raises UsageError, LedgerUnreachable."""
    of_file = {
        crop: Yield(facts.yield_kg, facts.yield_kg * facts.yield_spread)
        for crop, facts in (site.crops.crops if site else {}).items()
        if crop in wanted.crops
    }
    if said and said not in YIELDS_FROM:
        typed = masses(said)
        crops_equal(typed, wanted.crops)
        spread = {crop: known.sd_kg / known.kg for crop, known in of_file.items()}
        return Used(
            TYPED,
            of_file | {c: Yield(kg, kg * spread.get(c, TYPED_SPREAD)) for c, kg in typed.items()},
            {},
        )
    if said and site is None:
        raise UsageError(f"--yields {said} needs the SITE whose they are")
    if site is None:
        if wanted.mass is not None:
            raise UsageError("a blend by mass needs --yields a=2.2kg,b=800g, or a SITE")
        return Used(TYPED, {}, {})
    return _of_site(site, said, ledger, of_file)


def _of_site(site: Site, said: str, ledger: Path | None, of_file: Mapping[str, Yield]) -> Used:
    file = ledger or Path(site.folder) / LEDGER
    if said == "file" or not (said or ledger or file.exists()):
        return Used(FILE, of_file, {})
    try:
        found = corrected(str(file), of_file)
    except LedgerUnreachable as error:
        if said or ledger:
            raise
        complain(f"{error}\nYields are those of crops.yaml.")
        return Used(FILE, of_file, {})
    yields = {crop: told.per_gutter for crop, told in found.crops.items()}
    if any(told.weighings for told in found.crops.values()):
        return Used(RECORD, yields, found.crops, found.remarks)
    none = "nothing that was weighed of these crops counts yet"
    return Used(FILE, of_file, found.crops, (*found.remarks, none))
