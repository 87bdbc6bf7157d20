"""`airway-relay decide FILE`: the decision on a case in a file, with every reason."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date

from service.commands.case_file import facts_of
from service.commands.files import complain, read_object
from service.errors import Refused
from service.fhir.dates import day_of
from service.fhir.engine import CAUTION
from service.fhir.json_text import write_pretty
from service.rules.case_view import CaseView, view_case
from service.rules.decision import Criterion
from service.rules.response import Response
from service.rules.site import Site
from service.rules.words import day
from service.settings import SettingsError, read_site_file


def decide(file: str, as_of_text: str | None, as_json: bool, site_file: str | None) -> int:
    """Print the decision; 0 when one was made, 1 when the file is refused, 2 when the day or the site's file cannot be used."""
    try:
        as_of = day_of(as_of_text) if as_of_text else date.today()
    except ValueError as error:
        print(f"airway-relay: --as-of: {error}.", file=sys.stderr)
        return 2
    try:
        site = read_site_file(site_file) if site_file else Site()
    except SettingsError as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    body = read_object(file)
    if body is None:
        return 1
    try:
        facts = facts_of(body, site.thresholds)
    except Refused as refused:
        complain(file, refused)
        return 1
    view = view_case(facts, site, as_of)
    if as_json:
        print(write_pretty({**view.as_data(), "caution": CAUTION}))
        return 0
    _print(view)
    return 0


def _print(view: CaseView) -> None:
    print(f"As of {day(view.as_of)}: {view.readiness.sentence}")
    why = "" if view.stage.why == view.readiness.sentence else f" {view.stage.why}"
    print(f"Whose move: {view.stage.whose_move}, since {day(view.stage.since)}.{why}\n")
    _reasons(view.readiness.criteria)
    if view.step:
        print(f"\nNext titration step: {view.step.sentence}")
    if view.projection and view.projection.steps:
        print(f"Where the steps lead: {view.projection.sentence}")
    if view.response:
        _print_response(view.response)
    _questions(view)
    for title, decision in (
        ("The referral", view.referral_check),
        ("Documentation for a payer", view.coverage),
        ("Follow-up", view.follow_up.decision if view.follow_up else None),
    ):
        if decision:
            print(f"\n{title}: {decision.sentence}")
            _reasons(decision.criteria)
    print(f"\n{CAUTION}")


def _print_response(response: Response) -> None:
    print(f"\n{response.sentence}")
    _reasons(response.criteria)
    more = (response.disagreement, *response.remarks, *response.certainty.sentences)
    more += (*(m.sentence for m in response.measures), response.wear, *(s.sentence for s in response.suggestions))
    for sentence in (*more, response.relapse.sentence if response.relapse else "", *response.cautions):
        if sentence:
            print(f"{'':>17}{sentence}")


def _questions(view: CaseView) -> None:
    for item in view.questions:
        print(f"{'':>17}Asked of the {item.party}: {item.sentence}")


def _reasons(criteria: Sequence[Criterion]) -> None:
    for item in criteria:
        print(f"  {item.standing:>15}  {item.title}: {item.sentence}")
