"""The command line, as a person calls it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from service import __version__
from service.fhir.json_text import load, write
from tests.web.messages import EXAMPLES, changed, example, referral

ROOT = EXAMPLES.parent


def run(*arguments: object, text: str | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "service", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, input=text, cwd=ROOT, check=False, timeout=60)


def case_file(folder: Path, **parts: Any) -> Path:
    """A case as far as the settled third week of the examples."""
    body = {
        "referral": referral(),
        "referral_state": example("dental-office/accept"),
        "assessment": example("dental-office/assessment"),
        "appliance": example("dental-office/appliance"),
        "progress": [example("dental-office/progress")],
        **parts,
    }
    path = folder / "case.json"
    path.write_text(write({k: v for k, v in body.items() if v is not None}))
    return path


def test_version() -> None:
    done = run("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"airway-relay {__version__}\n", "")


def test_decide_a_plain_case(tmp_path: Path) -> None:
    done = run("decide", case_file(tmp_path), "--as-of", "2026-10-01")
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0].startswith("As of 1 Oct 2026: Ready for an efficacy test")
    assert lines[1].startswith("Whose move: physician, since ")
    assert any(line.strip().startswith("met  Snoring settled:") for line in lines)
    assert "not a diagnosis" in lines[-1]


def test_decide_for_another_day_from_what_was_known_then(tmp_path: Path) -> None:
    done = run("decide", case_file(tmp_path), "--as-of", "2026-09-20")
    assert done.returncode == 0
    assert done.stdout.startswith("As of 20 Sep 2026: Not yet ready")


def test_decide_as_json(tmp_path: Path) -> None:
    done = run("decide", case_file(tmp_path), "--as-of", "2026-10-01", "--json")
    told = load(done.stdout)
    assert (done.returncode, done.stderr) == (0, "")
    assert told["readiness"]["outcome"] == "ready"
    assert told["readiness"]["as_of"] == "2026-10-01"
    assert told["whose_move"] == "physician"


def test_decide_a_corrected_case_by_its_latest_revisions(tmp_path: Path) -> None:
    progress = [example("dental-office/correction"), example("dental-office/progress")]
    path = case_file(tmp_path, progress=progress)
    first = load(run("decide", path, "--as-of", "2026-10-01", "--json").stdout)
    case_file(tmp_path, progress=progress[::-1])
    second = load(run("decide", path, "--as-of", "2026-10-01", "--json").stdout)
    assert first["readiness"]["outcome"] == second["readiness"]["outcome"] == "ready"


def test_decide_a_fhir_bundle() -> None:
    done = run("decide", EXAMPLES / "sleep-lab" / "referral-bundle.json", "--as-of", "2026-10-01", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    criteria = {c["name"]: c["status"] for c in load(done.stdout)["readiness"]["criteria"]}
    assert criteria["baseline-known"] == "met"
    assert criteria["appliance-delivered"] == "unknown"


def test_decide_reads_standard_input(tmp_path: Path) -> None:
    done = run("decide", "-", "--as-of", "2026-10-01", text=case_file(tmp_path).read_text())
    assert done.returncode == 0
    assert done.stdout.startswith("As of 1 Oct 2026: Ready")


BAD = [
    (b"{", ": The body is not JSON: expecting property name enclosed in double quotes or '}' at line 1, column 2."),
    (b"[]", ": The body is not a JSON object."),
    (b"\xff", ": The body is not UTF-8 text (byte 0)."),
    (b'{"a": 1, "a": 2}', ": a: The key «a» stands twice in one JSON object."),
    (
        b'{"bogus": {}}',
        ": bogus: A case file has no part «bogus»; it has referral, referral_state, assessment, appliance",
    ),
    (b'{"progress": 5}', ": progress: An object is needed."),
    (b'{"progress": [{"bogus": 1}]}', ": progress[0].bogus: There is no element «bogus» here."),
    (b'{"resourceType": "Bundle"}', ": Bundle.entry: The Bundle has no entries."),
]


@pytest.mark.parametrize(("content", "words"), BAD, ids=[b[1] for b in BAD])
def test_a_bad_file_is_one_plain_line(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "case.json"
    path.write_bytes(content)
    done = run("decide", path)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"{path}{words}")
    assert len(done.stderr.splitlines()) == 1


def test_a_file_that_is_not_there_is_one_plain_line(tmp_path: Path) -> None:
    for command in ("decide", "check"):
        done = run(command, tmp_path / "nothing.json")
        assert (done.returncode, done.stdout) == (1, "")
        assert done.stderr == f"{tmp_path}/nothing.json: No such file or directory\n"


def test_every_problem_of_a_case_file_is_told_with_its_place(tmp_path: Path) -> None:
    bad = changed(referral(), patient__birth_date="1974-02-30", baseline_test__index_events_per_hour=400)
    done = run("decide", case_file(tmp_path, referral=bad))
    assert done.returncode == 1
    assert [line.split(": ")[1] for line in done.stderr.splitlines()] == [
        "referral.patient.birth_date",
        "referral.baseline_test.index_events_per_hour",
    ]


@pytest.mark.parametrize("day", ["yesterday", "2026-02-30", "20261001", "9999-12-31", "0001-01-01"])
def test_a_day_that_is_none_is_exit_2(tmp_path: Path, day: str) -> None:
    done = run("decide", case_file(tmp_path), "--as-of", day)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"airway-relay: --as-of: «{day}»")
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize("arguments", [(), ("bogus",), ("decide",), ("check", "a", "b")])
def test_a_wrong_call_is_exit_2(arguments: tuple[str, ...]) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert done.stderr.startswith("usage: airway-relay")


def test_check_a_bundle() -> None:
    done = run("check", EXAMPLES / "sleep-lab" / "referral-bundle.json")
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr.endswith("6 resource(s) checked, 0 problem(s)\n")


def test_check_tells_every_problem_with_its_place(tmp_path: Path) -> None:
    body = example("sleep-lab/referral-bundle")
    body["entry"][0]["resource"]["gender"] = "x"
    body["entry"][3]["resource"]["valueQuantity"]["value"] = 400
    body["entry"].append({"resource": 5})
    path = tmp_path / "bundle.json"
    path.write_text(write(body))
    done = run("check", path)
    assert done.returncode == 1
    assert [line.split(": ")[1] for line in done.stdout.splitlines()] == [
        "Bundle.entry[0].resource.gender",
        "Bundle.entry[3].resource.value.value",
        "Bundle.entry[6].resource.resourceType",
    ]
    assert done.stderr == f"{path}: 7 resource(s) checked, 3 problem(s)\n"


@pytest.mark.parametrize(
    "content", ['{"resourceType": "Bundle", "entry": 5}', '{"resourceType": "Bundle", "entry": {}}']
)
def test_check_a_bundle_without_a_list_of_entries(tmp_path: Path, content: str) -> None:
    path = tmp_path / "bundle.json"
    path.write_text(content)
    done = run("check", path)
    assert done.returncode == 1
    assert done.stdout == f"{path}: Bundle.entry: A list of entries is needed.\n"


def test_check_a_file_that_is_no_resource() -> None:
    done = run("check", EXAMPLES / "sleep-lab" / "referral.json")
    assert done.returncode == 1
    assert "resourceType: «resourceType» is required." in done.stdout
