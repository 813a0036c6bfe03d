"""A gutter that stands wet too long: told at the place where it stands, and only while it does."""

from __future__ import annotations

from pathlib import Path

from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


def test_the_wet_alarm_ends_when_the_gutter_has_gone_on(shift):
    site = load_site(CONFIG / "small")
    limits = site.file.limits.model_copy(update={"wet_limit_ms": 60_000})
    file = site.file.model_copy(update={"limits": limits})
    line = shift("small", site=site.model_copy(update={"file": file}))
    line.run("52s")
    line.do("fault", "infeed", kind="grips_nothing", for_ms=120_000)
    line.run("170s")
    assert any(tag.endswith(".wet") for tag in line.alarms())
    for minute in (3, 4, 5):
        line.run(f"{minute}m")
        line.command("sowing", "unhold")
    line.run("9m")
    standing = {tag for tag in line.alarms() if tag.endswith(".wet")}
    now, limit = line.line.now, 60_000
    late = {
        f"{part.name}.wet"
        for part in line.line.ends.wet_parts
        if part.gutter and now >= line.line.gutters[part.gutter].wet_at + limit
    }
    assert standing == late
    assert any(
        row["tag"].endswith(".wet") and row["to_s"] is not None for row in line.outcome["alarms"]
    )
