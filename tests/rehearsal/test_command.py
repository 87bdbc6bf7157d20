"""The command as it is called: table, JSON, picture, refusals."""

import json
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).parents[2]
SVG = "{http://www.w3.org/2000/svg}"
SMALL = ("--cases", "60", "--weeks", "20", "--seed", "4")


def rehearse(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    call = [sys.executable, "-m", "service", "rehearse", *map(str, arguments)]
    return subprocess.run(call, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def later(tmp_path: Path) -> Path:
    file = tmp_path / "later.toml"
    file.write_text("[thresholds]\nstable_days = 28\nwear_share = 0.8\n")
    return file


def test_table_begins_with_the_caution() -> None:
    answer = rehearse(*SMALL)
    assert (answer.returncode, answer.stderr) == (0, "")
    assert answer.stdout.startswith("A SIMULATION WITH INVENTED PARTS")
    assert "not advice for a patient" in " ".join(answer.stdout.lower().split())
    assert "60 simulated cases, seed 4" in answer.stdout
    assert "AHI under 10 and at least halved" in answer.stdout


def test_comparison_as_json(later: Path) -> None:
    answer = rehearse(*SMALL, "--compare", later, "--json")
    data = json.loads(answer.stdout)
    assert answer.returncode == 0
    assert data["caution"].startswith("A simulation with invented parts")
    own, other = data["sets"]
    assert own["changed_thresholds"] == []
    assert other["changed_thresholds"] == ["stable_days 28 d (default 14)", "wear_share 0.8 (default 0.70)"]
    for held in (own, other):
        ended = [held[name]["count"] for name in ("retested", "dropped_out", "still_waiting")]
        assert sum(ended) == held["cases"] == 60
        assert held["retested_by_week"][-1] == held["retested"]["count"]
        assert held["retested_by_week"] == sorted(held["retested_by_week"])
    assert data["b_against_a"]["weeks_later"]["median"] > 0
    assert {p["mark"] for p in data["parameters"]} >= {"published", "invented"}


def test_a_set_against_itself_differs_nowhere(later: Path) -> None:
    answer = rehearse(*SMALL, "--thresholds", later, "--compare", later, "--json")
    against = json.loads(answer.stdout)["b_against_a"]
    assert against["sooner"]["count"] == against["later"]["count"] == 0
    assert against["retested"]["difference"] == 0


def test_picture_says_in_words_what_it_shows(later: Path, tmp_path: Path) -> None:
    file = tmp_path / "picture.svg"
    answer = rehearse(*SMALL, "--compare", later, "--picture", file)
    assert answer.returncode == 0
    root = ElementTree.fromstring(file.read_text(encoding="utf-8"))
    assert root.get("role") == "img" and root.get("aria-labelledby") == "title desc"
    assert [child.tag for child in root][:2] == [f"{SVG}title", f"{SVG}desc"]
    description = root.findtext(f"{SVG}desc") or ""
    assert "invented parts" in description and "later.toml" in description
    seen = " ".join(t.text or "" for t in root.iter(f"{SVG}text"))
    assert "not advice for a patient" in seen
    assert {"A", "B"} <= set(seen.split())
    dashes = {line.get("stroke-dasharray") for line in root.iter(f"{SVG}polyline")}
    assert len(dashes) == 2, "the two lines must differ by more than colour"


def test_a_name_that_is_markup_stays_text(tmp_path: Path) -> None:
    odd = tmp_path / "<b>&.toml"
    odd.write_text("[thresholds]\n")
    file = tmp_path / "picture.svg"
    assert rehearse(*SMALL, "--thresholds", odd, "--picture", file).returncode == 0
    assert "<b>&.toml" in (ElementTree.fromstring(file.read_text()).findtext(f"{SVG}desc") or "")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("[thresholds]\nstable_days = 3\n", "stable_days = 3 d: permitted are 7 to 90 d"),
        ('[thresholds]\n"a\\nb\\u001b" = 3\n', "there is no threshold named a b?"),
        ("[", "the file is not TOML"),
    ],
)
def test_a_bad_file_is_refused_in_one_line(tmp_path: Path, text: str, why: str) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(text)
    answer = rehearse("--compare", file)
    assert (answer.returncode, answer.stdout) == (2, "")
    assert answer.stderr.count("\n") == 1 and why in answer.stderr


@pytest.mark.parametrize(
    "arguments",
    [("--cases", "0"), ("--weeks", "-1"), ("--seed", "-1"), ("--processes", "0"), ("--thresholds", "nowhere.toml")],
)
def test_a_bad_option_is_refused_in_one_line(arguments: tuple[str, str]) -> None:
    answer = rehearse(*arguments)
    assert (answer.returncode, answer.stdout) == (2, "")
    assert answer.stderr.count("\n") == 1


def test_a_picture_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    answer = rehearse(*SMALL, "--picture", tmp_path / "nowhere" / "p.svg")
    assert answer.returncode == 2
    assert "No such file or directory" in answer.stderr


def test_parameters_as_table_and_as_json() -> None:
    table, data = rehearse("--parameters"), rehearse("--parameters", "--json")
    assert "Punjabi 2020" in table.stdout
    assert {"name", "value", "unit", "mark", "source", "meaning"} == set(json.loads(data.stdout)["parameters"][0])
