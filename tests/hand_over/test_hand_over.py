"""The folder of a hand-over is whole, says what is missing, and writes over nothing of others."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import json
import re
from dataclasses import replace

import pytest

from linectl.cli.hand_over_page import files_of, index_page, part_files, shortly
from linectl.commission.field_record import field_rows
from linectl.commission.hand_over.folder import DIGESTS, write_folder
from linectl.commission.hand_over.gather import copies, hand_over_of
from linectl.commission.hand_over.in_force import in_force_part
from linectl.commission.hand_over.interlocks import interlocks_part, kept_proof
from linectl.commission.kept_rows import FORMULA
from linectl.commission.proof import CellResult
from linectl.commission.prove.kept import Kept
from linectl.commission.prove.promised import promises
from linectl.errors import NoController, Unreachable, UsageError
from linectl.site.load import load_site

NOW = dt.datetime(2026, 3, 20, 9, 30, tzinfo=dt.timezone(dt.timedelta(hours=1)))
UNITS = {"sowing": {"mode": "maintenance", "state": "Stopped", "since_s": 5.0, "reason": None}}


class Answering:
    """A controller that has been asked nothing yet; `digest` None: none runs."""

    def __init__(self, digest: str | None, **lists: list[dict[str, object]]) -> None:
        self.digest = digest
        self.lists = {"force_list": [], "override_list": [], "bypass_list": [], **lists}

    def status(self):
        if self.digest is None:
            raise NoController("none runs")
        return {
            "pid": 7, "alarms": 0, "alarm_list": [], "units": UNITS, "buses": [],
            "site_digest": self.digest, **self.lists,
        }  # fmt: skip


def made_of(folder):
    return hand_over_of(load_site(folder), Answering(None), None, "A. Example", NOW, "1.0")


def whats(made) -> list[str]:
    return [lack.what for _, lack in made.lacks]


@pytest.fixture(scope="module")
def site(walked_once):
    return load_site(walked_once)


@pytest.fixture(scope="module")
def made(walked_once):
    return made_of(walked_once)


@pytest.fixture(scope="module")
def handed_over(made, tmp_path_factory):
    """The folder as the command writes it, for tests that only read it."""
    out = tmp_path_factory.mktemp("out") / "handed-over"
    write_folder(out, files_of(made, copies(made.site, None)))
    return out


def test_every_file_is_in_the_list_of_digests_and_as_it_says(handed_over):
    listed = dict(
        reversed(line.split("  ", 1))
        for line in (handed_over / DIGESTS).read_text(encoding="utf-8").splitlines()
    )
    there = {
        path.relative_to(handed_over).as_posix()
        for path in handed_over.rglob("*")
        if path.is_file()
    }
    assert there == listed.keys() | {DIGESTS}
    for name, digest in listed.items():
        assert hashlib.sha256((handed_over / name).read_bytes()).hexdigest() == digest
    assert {"index.html", "hand_over.json", "checkout.html", "checkout.csv", "checkout.json",
            "punch_list.csv", "wiring.html", "wiring.csv", "matrix.html", "matrix.csv",
            "interlocks.html", "field_tests.csv", "calibrations.html", "calibration.csv",
            "changes.html", "changes.csv", "commission.html", "commission.csv", "signed.csv",
             "in_force.html", "records/checkout.csv",
            "records/changes.csv", "site/io.csv", "site/resolved/io.csv"} <= there  # fmt: skip


def test_the_index_says_what_is_missing_and_what_to_do(handed_over):
    index = (handed_over / "index.html").read_text(encoding="utf-8")
    told = json.loads((handed_over / "hand_over.json").read_text(encoding="utf-8"))
    assert told["complete"] is False
    assert f"not complete: {len(told['missing'])} things" in index
    missing = {one["part"]: one["what"] for one in reversed(told["missing"])}
    assert re.fullmatch(r"IO checkout: 7 of \d+ points to go", missing["checkout"])
    assert missing["interlocks"].startswith("matrix: approved by")
    assert missing["calibrations"] == "doser: never calibrated"
    assert missing["commission"].startswith("facts of the list that are open:")
    assert missing["in_force"].startswith("what is forced or bypassed is not known: none runs")
    assert any(
        one["what"].startswith("not signed, or no longer: lock_out, ") for one in told["missing"]
    )
    for one in told["missing"]:
        assert one["what"].split("'")[0] in index
        assert one["do"]
    for name in re.findall(r'href="([^"]+)"', index):
        assert (handed_over / name).is_file(), name


def test_the_index_has_the_digest_of_every_file_but_itself(handed_over):
    index = (handed_over / "index.html").read_text(encoding="utf-8")
    shown = set(re.findall(r"<code class=\"digest\">([0-9a-f]{64})</code>", index))
    listed = (handed_over / DIGESTS).read_text(encoding="utf-8").splitlines()
    assert shown == {line[:64] for line in listed if not line.endswith("  index.html")}


def test_every_list_of_its_own_opens_in_a_spreadsheet_and_calculates_nothing(walked):
    text = (walked / "io.csv").read_text(encoding="utf-8").replace(",AE2:4,", ",=AE2+4,")
    (walked / "io.csv").write_text(text, encoding="utf-8")
    lists = {k: v for k, v in files_of(made_of(walked), {}).items() if k.endswith(".csv")}
    assert len(lists) > 5
    for name, content in lists.items():
        rows = list(csv.reader(content.decode("utf-8-sig").splitlines()))
        assert len({len(row) for row in rows}) == 1, name
        assert not [c for row in rows for c in row if c.startswith(FORMULA)], name
    assert "'=AE2+4" in lists["wiring.csv"].decode("utf-8-sig")


def test_pages_print_on_any_paper_with_heads_repeated_and_no_row_cut(handed_over):
    for name in ("index.html", "interlocks.html", "changes.html"):
        css = (handed_over / name).read_text(encoding="utf-8").split("</style>")[0]
        assert re.search(r"@page \{ size: landscape;", css)
        assert "thead { display: table-header-group; }" in css
        assert "tr, .together { break-inside: avoid; }" in css


def test_private_keys_beside_the_site_are_not_handed_over(walked):
    (walked / "client.key").write_text("secret", encoding="utf-8")
    found = copies(load_site(walked), None)
    assert "site/io.csv" in found
    assert not [name for name, content in found.items() if b"secret" in content]


def test_a_site_that_extends_another_is_handed_over_whole(walked, tmp_path):
    child = tmp_path / "child"
    child.mkdir()
    (child / "site.yaml").write_text("name: child\nextends: ../small\n", encoding="utf-8")
    files = copies(load_site(child), None)
    assert set(files) >= {"site/site.yaml", "site/resolved/io.csv", "site/resolved/site.yaml"}
    assert b"fill.exit_eye" in files["site/resolved/io.csv"]


# what it says of the controller ------------------------------------------------------------------


def in_force_of(site, **lists):
    return in_force_part(site, Answering(site.digest, **lists).status(), "")


def test_nothing_forced_and_the_same_files_lack_nothing(site):
    part = in_force_of(site)
    assert part.lacks == ()
    assert "Stopped" in {cell for table in part.tables for row in table.rows for cell in row}


def test_each_force_and_bypass_is_listed_with_what_ends_it(site):
    by = {"by": "C. Sample", "since_s": 9.0, "left_s": 60.0}
    part = in_force_of(
        site,
        force_list=[{"name": "fill.exit_eye", "value": False, "reason": "=misaligned", **by}],
        bypass_list=[{"cause": "guard_fill", "stage": "in force", "reason": "new hinge",
                      "came": 0, **by}],
    )  # fmt: skip
    lacks = {lack.what: lack.do for lack in part.lacks}
    assert set(lacks) == {
        "forced: fill.exit_eye, by C. Sample: =misaligned",
        "bypassed: guard_fill, by C. Sample: new hinge",
    }
    assert "--release-all" in lacks["forced: fill.exit_eye, by C. Sample: =misaligned"]
    forced, bypassed = part.tables[0].as_json()
    assert (forced["name"], forced["value"]) == ("fill.exit_eye", "0")
    assert bypassed["stage"] == "in force"
    assert "'=misaligned" in part.tables[0].csv().decode("utf-8-sig")


def test_a_controller_that_runs_with_other_files_is_told(site):
    part = in_force_part(site, Answering("f" * 64).status(), "")
    assert "started with other site files (ffffffffffff)" in part.lacks[0].what


# interlocks and calibrations ---------------------------------------------------------------------


def proof_file(path, site, *, fail: str = "", without: str = ""):
    kept = Kept(site, 3, path)
    for promise in promises(site):
        if promise.name != without:
            outcome = "fail" if promise.name == fail else "pass"
            cell = CellResult(
                promise.name, "stop", "acts", "off within 500 ms", outcome, 80.0, 500.0, ""
            )
            kept.add(promise.name, [cell], [])
    return path


def test_a_whole_proof_on_the_model_lacks_nothing(site, tmp_path):
    proof = kept_proof(site, proof_file(tmp_path / "proof.jsonl", site))
    part = interlocks_part(site, proof, NOW.date())
    assert not [lack.what for lack in part.lacks if "model" in lack.what]
    (table,) = [table for table in part.tables if table.name == "proof"]
    assert {row["cause"] for row in table.as_json()} == {one.name for one in promises(site)}
    assert {row["outcome"] for row in table.as_json()} == {"pass"}


def test_a_failed_cell_and_a_cause_without_proof_are_named(site, tmp_path):
    path = proof_file(tmp_path / "proof.jsonl", site, fail="guard_fill", without="guard_seed")
    told = [one.what for one in interlocks_part(site, kept_proof(site, path), NOW.date()).lacks]
    assert "cells that failed on the model: 1" in told
    assert "causes not proven on the model as they are: 1: guard_seed" in told


def test_a_proof_of_another_matrix_counts_for_nothing(site, tmp_path):
    before = load_site("config/small")  # the guard's channel has moved since
    path = proof_file(tmp_path / "proof.jsonl", before)
    assert kept_proof(before, path).unproven == ()
    assert kept_proof(site, path).cells == {}


def test_a_file_that_is_no_text_is_refused_as_a_proof(site, tmp_path):
    path = tmp_path / "proof.jsonl"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UsageError, match="cannot be read as a kept proof"):
        kept_proof(site, path)


def test_every_cause_stands_in_the_field_tests_even_without_one(handed_over, site):
    text = (handed_over / "field_tests.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(text.splitlines()))
    assert {row["cause"] for row in rows} == {row.name for row in field_rows(site)}
    assert {row["state"] for row in rows} == {"never tested"}


def test_an_expired_calibration_is_told_and_a_record_of_any_columns_is_shown(walked):
    (walked / "calibration.yaml").write_text(
        "doser: {factor: 1.02, by: A. Example, on: 2026-01-02, valid_until: 2026-03-01}\n",
        encoding="utf-8",
    )
    (walked / "calibrations.csv").write_text(
        "at,what,as_found\r\n2026-01-02T10:00:00+01:00,doser,1.05\r\ntorn\r\n", encoding="utf-8"
    )
    made = made_of(walked)
    told = whats(made)
    assert "doser: calibration good until 2026-03-01" in told
    assert "drum: never calibrated" in told
    page = part_files(made)["calibrations.html"].decode()
    for text in ("factor 1.02", "EXPIRED", "as found", "1.05", "2026-01-02 10:00 +01:00"):
        assert text in page, text


def test_a_line_that_lacks_nothing_is_said_to_be_complete(made):
    whole = replace(made, parts=tuple(replace(part, lacks=()) for part in made.parts))
    index = index_page(whole, {}).decode()
    assert "nothing is missing of what this page looks for" in index
    assert "not complete" not in index


# the folder --------------------------------------------------------------------------------------


def test_an_earlier_hand_over_is_replaced_and_nothing_of_it_stays(tmp_path):
    out = tmp_path / "out"
    write_folder(out, {"index.html": b"old", "gone.csv": b"1"})
    write_folder(out, {"index.html": b"new"})
    assert sorted(path.name for path in out.iterdir()) == [DIGESTS, "index.html"]
    assert (out / "index.html").read_bytes() == b"new"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_folder_with_other_things_in_it_is_left_alone(tmp_path):
    out = tmp_path / "out"
    write_folder(out, {"index.html": b"old"})
    (out / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match=r"other things \(letter.txt\)"):
        write_folder(out, {"index.html": b"new"})
    assert (out / "index.html").read_bytes() == b"old"


def test_a_hand_over_that_somebody_has_altered_since_is_left_alone(tmp_path):
    out = tmp_path / "out"
    write_folder(out, {"index.html": b"old"})
    (out / "index.html").write_text("old, and a remark", encoding="utf-8")
    with pytest.raises(UsageError, match="altered since it was handed over"):
        write_folder(out, {"index.html": b"new"})


def test_what_cannot_be_written_changes_nothing(tmp_path):
    out = tmp_path / "out"
    write_folder(out, {"index.html": b"old"})
    with pytest.raises(Unreachable, match="nothing has changed"):
        write_folder(out, {"index.html": b"new", "index.html/no": b"a file in a file"})
    assert (out / "index.html").read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(
    ("out", "says"),
    [
        ("config/small", "holds other things"),
        ("README.md", "is a file"),
        ("nowhere/out", "there is no folder nowhere"),
    ],
)
def test_wrong_use_is_told_before_anything_is_gathered(linectl, out, says):
    said = linectl("hand-over", "config/small", "--out", out)
    assert (said.code, said.out) == (2, "")
    assert says in said.err


def test_the_command_writes_the_folder_and_says_that_it_is_not_complete(linectl, walked, tmp_path):
    out = tmp_path / "handed-over"
    said = linectl("hand-over", walked, "--out", out, "--by", "A. Example", "--json")
    assert said.code == 1
    told = said.json
    assert set(told) == {"site", "folder", "complete", "missing", "files", "digest"}
    assert told["digest"] == hashlib.sha256((out / DIGESTS).read_bytes()).hexdigest()
    assert "A. Example" in (out / "index.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("cell", "shown"),
    [
        ("2026-03-12T05:10:00+01:00", "2026-03-12 05:10 +01:00"),
        ("ab" * 32, "abababababab"),
        ("2026-03-12", "2026-03-12"),
        ("2026-99-99T05:10:00+01:00", "2026-99-99T05:10:00+01:00"),
        ("", ""),
    ],
)
def test_a_page_shortens_instants_and_digests_and_nothing_else(cell, shown):
    assert shortly(cell) == shown
