"""The pages say what is there: files, variables, addresses and commands they name exist."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from service.__main__ import _parser
from service.app import build_app
from service.commands.rules import table
from service.pipeline import Pipeline
from service.rules.thresholds import Thresholds
from service.settings import Settings

ROOT = Path(__file__).parent.parent
PAGES = [p for p in ROOT.rglob("*.md") if not any(part.startswith(".") for part in p.relative_to(ROOT).parts)]
README = (ROOT / "README.md").read_text()


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text()):
        if not target.startswith("http"):
            assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_named_files_exist(page: Path) -> None:
    text = page.read_text()
    folders = {Path(n).parent for n in re.findall(r"`([\w./-]+/[\w.-]+\.\w+)`", text)}
    for name in re.findall(r"`(\w[\w./-]*\.(?:py|md|toml|yml|json))`", text):
        places = [ROOT, page.parent, *(ROOT / folder for folder in folders)]
        assert any((place / name).exists() for place in places), name


def test_the_readme_has_two_commands() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    assert len(blocks) == 2
    assert "demo --once" in blocks[0]
    assert "pytest" in blocks[1]


def test_every_setting_is_in_the_readme_and_no_other() -> None:
    named = set(re.findall(r"^\| `([A-Z_]+)` \|", README, re.MULTILINE))
    code = "".join(
        (ROOT / f"service/{name}.py").read_text() for name in ("settings", "access_settings", "sign_in_settings")
    )
    read = set(re.findall(r'"((?:AIRWAY_RELAY|DATABASE)_[A-Z_]+)"', code))
    assert named == read


def test_every_address_in_the_readme_is_routed(sqlite_pipeline: Pipeline) -> None:
    paths = build_app(Settings(), sqlite_pipeline).openapi()["paths"]
    routed = {(method.upper(), path) for path, methods in paths.items() for method in methods}
    named = set(re.findall(r"^\| `(GET|POST|PUT|DELETE) ([^`]+)` \|", README, re.MULTILINE))
    assert named
    assert named - routed == set()
    intake = {pair for pair in routed if pair[1].startswith("/intake")}
    assert intake <= named


def test_every_command_is_in_the_readme() -> None:
    commands = next(a for a in _parser()._actions if a.dest == "command").choices
    assert commands
    for name in commands:
        assert f"airway-relay {name}" in README, name


def test_the_table_of_thresholds_is_fresh() -> None:
    page = ROOT / "DEVELOPERS.md"
    begin, end = "<!-- thresholds: begin -->\n", "<!-- thresholds: end -->"
    before, _, rest = page.read_text().partition(begin)
    held, _, after = rest.partition(end)
    fresh = table(Thresholds()) + "\n"
    if os.environ.get("AIRWAY_RELAY_WRITE_RULES"):
        page.write_text(before + begin + fresh + end + after)
        held = fresh
    assert held == fresh
