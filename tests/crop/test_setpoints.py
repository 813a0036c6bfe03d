"""Set-points of a site: what a crop asks of it, what the line writes, what a device can do."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from linectl.commission.check_setpoints import set_point_findings
from linectl.commission.check_site import check_site
from linectl.crop import setpoints
from linectl.crop.crop_needs import crop_needs
from linectl.crop.site_takt import site_takt
from linectl.crop.takt_gain import LANES, takt_gain
from linectl.image import Command
from linectl.registers.codec import decode, encode
from linectl.site.load import load_site, read_site
from linectl.site.machine import Range
from linectl.site.model import Site

ROOT = Path(__file__).parents[2]
HERTZ = Path(__file__).parent / "hertz"
SMALL = load_site(ROOT / "config" / "small")
FENNMARK = load_site(ROOT / "config" / "fennmark")


@pytest.fixture(scope="module")
def hertz() -> Site:
    return load_site(HERTZ)


def test_a_crop_of_the_small_line_by_hand() -> None:
    # 1800 mm of gutter, tool at 300 and eye at 150 mm: 1600 mm are worked on, 6.4 s at 250 mm/s.
    needs = crop_needs(SMALL, "green_oakleaf")
    doser, valve, drum = needs.set_points
    assert doser.value == pytest.approx(4000 / 6.4)
    assert valve.value == pytest.approx(600 / 6.4)
    assert drum.value == pytest.approx(12 / 6.4 / 0.992)  # 8 of 1000 are missed
    assert needs.substrate.per_mm_ml == pytest.approx(2.5)  # 4000 ml on 1600 mm
    assert needs.substrate.mass_kg == pytest.approx(0.4)  # 4 l of 100 g/l
    assert needs.water.pulses == pytest.approx(120)  # 0.6 l of 200 to the litre
    assert needs.water.valve_ms == pytest.approx(6400)
    assert needs.seed.mass_g == pytest.approx(0.36)  # 12 pellets of 30 mg
    assert needs.seed.laid_mm == pytest.approx(1600 / 12)
    assert (needs.hopper.until_low, needs.hopper.until_empty) == (46, 49)


def test_a_shift_is_the_time_that_its_changeovers_leave_at_takt() -> None:
    shift = crop_needs(FENNMARK, "green_oakleaf").shift
    assert shift.gutters == 120  # 3 h less six times 10 min, one a minute
    assert shift.substrate_kg == pytest.approx(144)  # 12 l of 100 g/l each
    assert (shift.water_l, shift.seeds) == (216, 4320)
    assert shift.seed_g == pytest.approx(129.6)


def test_factors_are_divided_out_and_hertz_follow_the_drive(hertz: Site) -> None:
    doser, valve, drum = crop_needs(hertz, "rocket").set_points
    assert doser.value == pytest.approx(3500 / 6.4 / 1.04)
    assert doser.written == pytest.approx(3500 / 6.4 / 1.04 / 16 + 2)
    assert valve.value == valve.written == pytest.approx(500 / 6.4 / 0.97)
    assert drum.written == pytest.approx(90 / 6.4 / 1.05 / 0.5 + 1)
    needs = crop_needs(hertz, "rocket")
    assert needs.water.pulses == pytest.approx(105)  # half a litre of 210, as measured
    assert needs.seed.rev_min == pytest.approx(90 / 6.4 / 1.05 / 3 / 24 * 60)


@pytest.mark.parametrize("name", ["green_oakleaf", "rocket"])
def test_what_the_register_holds_is_what_the_codec_makes_of_it(hertz: Site, name: str) -> None:
    for site in (SMALL, hertz):
        for made in (*crop_needs(site, name).set_points, *setpoints.belts(site)):
            point = site.points[site.index(made.tag)]
            sent = float(decode(point, encode(point, made.written)))
            assert made.held == pytest.approx(setpoints.from_point_unit(site, point, sent))


def test_a_device_says_too_slow_and_too_fast_at_its_own_ends(hertz: Site) -> None:
    crop = crop_needs(hertz, "green_oakleaf")
    doser = crop.set_points[0]
    assert (doser.least, doser.most) == (128, 928)  # 16 · (10 − 2) and 16 · (60 − 2)
    assert doser.verdict == "ok"
    for most, verdict in ((100.0, "too fast"), (900.0, "ok")):
        assert setpoints.doser(_with_doser(most), "green_oakleaf").verdict == verdict
    assert setpoints.doser(_with_doser(900, 700), "green_oakleaf").verdict == "too slow"


def _with_doser(most: float, least: float = 0.0) -> Site:
    """The small line with a doser that can do so much."""
    fill = SMALL.file.stations["fill"].model_copy(
        update={"doser_range_ml_s": Range(least=least, most=most)}
    )
    file = SMALL.file.model_copy(update={"stations": {**SMALL.file.stations, "fill": fill}})
    return SMALL.model_copy(update={"file": file})


def test_the_slowest_gains_no_more_than_up_to_the_next_slowest() -> None:
    takt = site_takt(SMALL)
    gain = takt_gain(takt)
    ranked = sorted((c.cycle_ms for c in takt.stations), reverse=True)
    assert gain.setter == takt.slowest.name
    assert gain.gain_ms == pytest.approx(ranked[0] - ranked[1])
    assert sum(step.ms for step in gain.steps) == pytest.approx(gain.takt_ms)
    assert [step.ms for step in gain.steps] == sorted((s.ms for s in gain.steps), reverse=True)


def test_lanes_that_take_less_than_every_station_gives_set_the_takt() -> None:
    one = SMALL.file.lanes[0]
    slow = one.model_copy(
        update={"runs": tuple(run.model_copy(update={"stroke_ms": 30_000}) for run in one.runs)}
    )
    takt = site_takt(SMALL.model_copy(update={
        "file": SMALL.file.model_copy(update={"lanes": (slow,)})
    }))  # fmt: skip
    assert takt_gain(takt).setter == LANES


SITE = "extends: ../small\nname: mine\n"


def _check(tmp_path: Path, **files: str):
    """The findings of a site over small that says this beside."""
    (tmp_path / "small").symlink_to(ROOT / "config" / "small")
    folder = tmp_path / "mine"
    folder.mkdir()
    for name, text in {"site": SITE, **files}.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    report = check_site(folder)
    told = [w for w in report.warnings if not w.file.endswith("approval.yaml")]
    return report.errors, [w for w in told if "approv" not in w.message]


def test_a_dose_that_no_register_holds_is_an_error_at_its_crop(tmp_path: Path) -> None:
    errors, _ = _check(tmp_path, crops="crops:\n  rocket: {substrate_l: 500.0}\n")
    (error,) = errors
    assert (error.file, error.line, error.key) == ("crops.yaml", 2, "crops.rocket.substrate_l")
    assert "78,125 ml/s" in error.message and "u16 goes from 0 to 65535" in error.message


def test_a_crop_that_no_register_can_be_told_is_refused_at_the_machine(shift) -> None:
    rocket = SMALL.crops.crops["rocket"].model_copy(update={"seeds_per_gutter": 90_000})
    crops = SMALL.crops.model_copy(update={"crops": {**SMALL.crops.crops, "rocket": rocket}})
    line = shift("small", site=SMALL.model_copy(update={"crops": crops})).run("5s").line
    refused = line.obey(Command("sowing", "crop", "rocket", "ben"))
    assert refused is not None
    assert "seed.drum_rate" in refused
    assert line.crop_in_drum == "green_oakleaf"
    assert line.obey(Command("sowing", "crop", "red_oakleaf", "ben")) is None


def test_a_dose_beyond_the_declared_range_is_a_warning(tmp_path: Path) -> None:
    site = SITE + "stations:\n  water: {flow_range_ml_s: {least: 20, most: 90}}\n"
    errors, warnings = _check(tmp_path, site=site)
    assert errors == ()
    assert {w.key for w in warnings} == {
        "crops.green_oakleaf.water_ml", "crops.red_oakleaf.water_ml"
    }  # fmt: skip
    assert all("too fast" in w.message and "20 to 90 ml/s" in w.message for w in warnings)


def test_a_spacing_that_gives_other_seeds_is_a_warning_that_names_both(tmp_path: Path) -> None:
    _, warnings = _check(tmp_path, crops="crops:\n  rocket: {spacing_mm: 90}\n")
    (warning,) = warnings
    assert warning.key == "crops.rocket.spacing_mm"
    assert "90 mm gives 60 seeds" in warning.message
    assert "seeds_per_gutter is 90" in warning.message


def test_a_bed_over_the_rim_is_a_warning(tmp_path: Path) -> None:
    _, warnings = _check(tmp_path, site=SITE + "gutter: {depth_mm: 30}\n")
    assert {w.key for w in warnings} == {
        "crops.green_oakleaf.substrate_l", "crops.red_oakleaf.substrate_l"
    }  # fmt: skip


def test_a_register_too_coarse_for_a_dose_is_a_warning() -> None:
    # 12 seeds in 6.4 s and 0.992 of them are 1.890 seeds/s, 36 in 20.8 s 1.745: steps of 0.1.
    point = FENNMARK.points[FENNMARK.index("seed.drum_rate")].model_copy(update={"scale": 0.1})
    points = tuple(point if p.tag == point.tag else p for p in FENNMARK.points)
    site = FENNMARK.model_copy(update={"points": points})
    assert setpoints.drum(site, "green_oakleaf").off_by == pytest.approx(1.7 / 1.7447 - 1, abs=1e-4)
    trees = read_site(ROOT / "config" / "fennmark").trees
    warnings = set_point_findings(site, trees, dt.date(2026, 3, 2)).warnings
    assert "crops.green_oakleaf.seeds_per_gutter" in {w.key for w in warnings}
    assert all("steps of 0.1 1/s" in w.message for w in warnings)


def test_an_expired_calibration_is_a_warning(tmp_path: Path) -> None:
    drum = "drum: {factor: 0.99, by: ben, on: 2020-01-01, valid_until: 2020-12-31}\n"
    _, warnings = _check(tmp_path, calibration=drum)
    (warning,) = warnings
    assert (warning.file, warning.key) == ("calibration.yaml", "drum")
    assert "2020-12-31" in warning.message
