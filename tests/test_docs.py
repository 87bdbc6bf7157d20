"""The documents say what is there: files, headings, settings, addresses, commands, states and bounds they name exist."""

from __future__ import annotations

import argparse
import os
import re
from pathlib import Path

import pytest

from service.__main__ import _parser
from service.app import build_app
from service.commands.rules import table
from service.fhir import json_limits, outcome, search_query, search_text
from service.fhir.referral_task import STATUSES, Role, Verdict, cell
from service.inbound import fhir_bundle
from service.listening.budgets import Budgets
from service.pipeline import Pipeline, subscriptions
from service.rules.decision import Readiness
from service.rules.thresholds import Thresholds
from service.settings import Settings
from service.store import search, search_chains
from service.web.page_paths import is_page
from service.web.problems import STATUS
from tests.manuals import (
    DEVELOPERS,
    FRONT_PAGE,
    INTEGRATOR,
    OPERATOR,
    PAGES,
    ROOT,
    addresses,
    anchors,
    blocks,
    rows,
    section,
)


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path) -> None:
    for target, heading in re.findall(r"\]\(([^)#\s]*)(?:#([^)\s]+))?\)", page.read_text()):
        if target.startswith("http"):
            continue
        assert (page.parent / target).exists(), target
        if heading:
            assert heading in anchors((page.parent / target) if target else page), f"{target}#{heading}"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_named_files_exist(page: Path) -> None:
    text = page.read_text()
    folders = {Path(n).parent for n in re.findall(r"`([\w./-]+/[\w.-]+\.\w+)`", text)}
    for name in re.findall(r"`(\w[\w./-]*\.(?:py|md|toml|yml|json|png))`", text):
        places = [ROOT, page.parent, *(ROOT / folder for folder in folders)]
        assert any((place / name).exists() for place in places), name


def test_the_readme_has_two_commands() -> None:
    commands = blocks(FRONT_PAGE, "sh")
    assert len(commands) == 2
    assert "demo --once" in commands[0]
    assert "pytest" in commands[1]


def test_the_readme_is_short_and_has_a_picture() -> None:
    assert len(FRONT_PAGE.splitlines()) <= 150
    (picture,) = re.findall(r"!\[[^\]]{20,}\]\(([^)]+)\)", FRONT_PAGE)
    assert 5_000 < (ROOT / picture).stat().st_size < 150_000


def test_the_readme_explains_every_outcome_and_no_other() -> None:
    named = [row[0] for row in rows(section(FRONT_PAGE, "What it decides"))]
    assert {name.strip("`") for name in named[1:]} == {one.value for one in Readiness}


def _settings() -> dict[str, str]:
    """The default of each setting in the operator's manual, by its variable."""
    return {row[0].strip("`"): row[1] for row in rows(section(OPERATOR, "Settings"))[1:]}


def test_every_setting_is_in_the_operators_manual_and_no_other() -> None:
    code = "".join(
        (ROOT / f"service/{name}.py").read_text() for name in ("settings", "access_settings", "sign_in_settings")
    )
    read = set(re.findall(r'"((?:AIRWAY_RELAY|DATABASE)_[A-Z_]+)"', code))
    assert set(_settings()) == read


@pytest.mark.parametrize("page", [FRONT_PAGE, INTEGRATOR, OPERATOR, DEVELOPERS], ids=["front", "int", "op", "dev"])
def test_every_variable_that_a_page_names_is_a_setting(page: str) -> None:
    ours = {name for name in re.findall(r"`((?:AIRWAY_RELAY|DATABASE)_[A-Z_]+)", page) if "_TEST_" not in name}
    of_the_tests = {name for name in ours if name.startswith(("AIRWAY_RELAY_WRITE_", "AIRWAY_RELAY_KILL_"))}
    assert ours - of_the_tests - set(_settings()) == set()


def test_the_defaults_in_the_operators_manual_are_those_of_the_code() -> None:
    said = {name: default.strip("`") for name, default in _settings().items() if default.startswith("`")}
    assert len(said) >= 18
    assert _shown(Settings.from_environment(said)) == _shown(Settings.from_environment({}))


def _shown(settings: Settings) -> str:
    """Every value of the settings, without the places of objects in memory."""
    return re.sub(r" at 0x[0-9a-f]+", "", repr(settings))


def test_every_address_in_the_integrators_manual_is_routed(sqlite_pipeline: Pipeline) -> None:
    paths = build_app(Settings(), sqlite_pipeline).openapi()["paths"]
    routed = {(method.upper(), path) for path, methods in paths.items() for method in methods}
    named = addresses(INTEGRATOR)
    assert named
    routed_with_access_on = {("POST", "/token"), ("POST", "/introspect"), ("POST", "/revoke")}
    assert named - routed - routed_with_access_on == set()
    # the same by another method or below another address, and what the operator's manual says
    said_beside = {("POST", path) for _, path in named if path.endswith(("$status", "$events"))}
    said_beside |= {("GET", "/fhir/.well-known/smart-configuration"), ("GET", "/health"), ("GET", "/livez")}
    assert routed - named - said_beside == set()
    assert "`GET /livez`" in OPERATOR
    assert "`GET /health`" in OPERATOR


def test_every_page_in_the_operators_manual_is_one() -> None:
    named = re.findall(r"`(/[^`]*)`", "".join(row[0] for row in rows(section(OPERATOR, "Pages"))))
    assert len(named) == 12
    for path in named:
        shown = path.replace("{case_number}", "AR-1").replace("{form}", "setting")
        assert is_page(shown) or path == "/check-in/{token}", path


def _commands(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """The commands, and their actions, of a parser by their names."""
    found = {}
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, below in action.choices.items():
                found |= {name: below} | {f"{name} {inner}": p for inner, p in _commands(below).items()}
    return found


def test_every_command_and_action_is_in_a_manual() -> None:
    commands = _commands(_parser())
    assert len(commands) > 30
    said = OPERATOR + INTEGRATOR
    said = re.sub(r"\.venv/bin/airway-relay", "airway-relay", said)
    for name in commands:
        in_full, in_short = f"airway-relay {name}", f"`{name}"
        assert in_full in said or (" " in name and in_short in said), name


def test_every_option_that_a_manual_names_is_taken() -> None:
    taken = {o for p in [_parser(), *_commands(_parser()).values()] for a in p._actions for o in a.option_strings}
    of_others = {
        "--data",
        "--format",
        "--file",
        "--dbname",
        "--no-owner",
        "--build",
        "--wait",
        "--quick",
        "--write",
        "--access",
    }
    named = set(re.findall(r"(?<![\w-])(--[a-z][a-z-]+)", OPERATOR + section(INTEGRATOR, "Without a service")))
    assert named - taken - of_others == set()


def test_every_status_of_an_error_is_in_the_integrators_manual_and_no_other() -> None:
    said = [row[0] for row in rows(section(INTEGRATOR, "Errors"))[1:]]
    assert {int(status) for status in said} == set(STATUS.values())


def test_the_table_of_states_is_that_of_the_code() -> None:
    roles = {"F": Role.FULFILLER, "P": Role.PLACER, "S": Role.SERVICE}
    open_states = "requested, received, accepted, ready, in-progress, on-hold, draft"
    said: set[tuple[str, str, Role]] = set()
    for start, end, by, _ in rows(section(INTEGRATOR, "States of a referral"))[1:]:
        starts = (open_states if start.startswith("any") else start).split(", ")
        target, back, _ = end.partition(", and back")
        said |= {(s, target, roles[by]) for s in starts}
        said |= {(target, s, roles[by]) for s in starts if back}
    every = [(s, e, r) for s in STATUSES for e in STATUSES for r in roles.values()]
    assert said == {one for one in every if cell(*one).verdict is Verdict.ALLOWED}


def test_the_bounds_in_the_integrators_manual_are_those_of_the_code() -> None:
    limits, searching = section(INTEGRATOR, "Limits"), section(INTEGRATOR, "Searching")
    budgets = Budgets()
    for number, words in (
        (Settings.max_body_bytes, "{} unless set"),
        (json_limits.MAX_VALUES, "{} values"),
        (json_limits.MAX_MARKS, "{} tags and entities"),
        (json_limits.MAX_KEYS, "{} keys"),
        (json_limits.MAX_KEY_LENGTH, "{} characters"),
        (json_limits.MAX_REPETITIONS, "{} items"),
        (json_limits.MAX_DEPTH, "| {}; 40"),
        (fhir_bundle.MAX_ENTRIES, "entries of a Bundle | {}"),
        (outcome.MOST_PROBLEMS, "problems in an answer | {}"),
        (budgets.request_seconds, "no pause of {} seconds"),
        (budgets.least_bytes_per_second, "at least {} bytes a second"),
        (budgets.connections, "{} in all"),
        (budgets.connections_per_address, "{} from one address"),
        (budgets.work_per_client, "{} at once"),
        (subscriptions.MOST_SUBSCRIPTIONS, "{} for an organisation"),
        (subscriptions.MOST_EVENTS, "{} events in an answer"),
    ):
        assert words.format(f"{number:,}") in limits, words
    for number, words in (
        (search_query.LARGEST_PAGE, "{} resources a page"),
        (search_text.MOST_VALUES, "{} values a parameter"),
        (search_query.MOST_PARAMETERS, "{} parameters"),
        (search_query.MOST_INCLUDES, "{} inclusions"),
        (search_chains.MOST_LINKS, "{} links a chain"),
        (search.COUNTED, "{} counted"),
    ):
        assert words.format(f"{number:,}") in searching, words


_NOT_PLAIN = re.compile(
    r"\b(held|told|said|spent|parted by|in earnest|whoever|hand(?:s|ed)? out|anew)\b", re.IGNORECASE
)


_WRITTEN_BY_HAND = [p for p in PAGES if p.parent.name not in ("profiles", "journeys") and p.name != "CHANGELOG.md"]


@pytest.mark.parametrize("page", _WRITTEN_BY_HAND, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_the_documents_are_in_plain_english(page: Path) -> None:
    """Words of another age, or of many meanings; the tables of files and of thresholds are about the code's own."""
    text = page.read_text()
    before, _, rest = text.partition("\n## Where to change what\n")
    prose = before + rest.partition("\n## ")[2]
    prose = prose.partition("<!-- thresholds: begin -->")[0] + prose.partition("<!-- thresholds: end -->")[2]
    assert _NOT_PLAIN.findall(prose) == []


def test_every_decision_has_a_day_and_a_status() -> None:
    entries = re.findall(r"^- (.*)$", section(DEVELOPERS, "Decisions"), re.MULTILINE)
    assert len(entries) > 20
    form = re.compile(r"2026-\d\d-\d\d, (?:in force|superseded by [^:]+): \S")
    assert [entry for entry in entries if not form.match(entry)] == []


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
