"""`airway-relay decide FILE`: the decision on a case in a file, with every reason."""

from __future__ import annotations

import sys
from datetime import date

from service.commands.case_file import facts_of
from service.commands.files import complain, read_object
from service.errors import Refused
from service.fhir.dates import day_of
from service.fhir.decision_resources import CAUTION
from service.fhir.json_text import write_pretty
from service.rules.decision import Status
from service.rules.response import assess_response
from service.rules.retest import assess_readiness
from service.rules.stage import stage_of
from service.rules.thresholds import Thresholds
from service.rules.titration import next_step
from service.rules.words import day
from service.settings import SettingsError, read_site_file

_SIGNS = {Status.MET: "met", Status.UNMET: "NOT MET", Status.UNKNOWN: "unknown", Status.ATTENTION: "weigh"}


def decide(file: str, as_of_text: str | None, as_json: bool, site_file: str | None) -> int:
    """Print the decision; 0 when one was made, 1 when the file is refused, 2 when the day or the site's file cannot be used."""
    try:
        as_of = day_of(as_of_text) if as_of_text else date.today()
    except ValueError as error:
        print(f"airway-relay: --as-of: {error}.", file=sys.stderr)
        return 2
    try:
        thresholds = read_site_file(site_file).thresholds if site_file else Thresholds()
    except SettingsError as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    body = read_object(file)
    if body is None:
        return 1
    try:
        facts = facts_of(body)
    except Refused as refused:
        complain(file, refused)
        return 1
    readiness = assess_readiness(facts, thresholds, as_of)
    step = next_step(facts, thresholds, readiness)
    response = assess_response(facts, thresholds, as_of)
    stage = stage_of(facts, readiness, step, response)
    if as_json:
        data = {
            **stage.as_data(),
            "readiness": readiness.as_data(),
            "next_step": step.as_data() if step else None,
            "response": response.as_data() if response else None,
            "caution": CAUTION,
        }
        print(write_pretty(data))
        return 0
    print(f"As of {day(as_of)}: {readiness.sentence}")
    print(f"Whose move: {stage.whose_move}. {stage.why}\n")
    for item in readiness.criteria:
        print(f"  {_SIGNS[item.status]:>7}  {item.title}: {item.sentence}")
    if step:
        print(f"\nNext titration step: {step.sentence}")
    if response:
        print(f"\n{response.sentence}")
        for item in response.criteria:
            print(f"  {_SIGNS[item.status]:>7}  {item.title}: {item.sentence}")
        for sentence in (response.disagreement, *response.comparability):
            if sentence:
                print(f"           {sentence}")
    print(f"\n{CAUTION}")
    return 0
