"""From a FHIR resource to the fact that it reports.

Readers check form, unit and plausibility and name every problem. A fact is complete or it is none: what lacks something
that every fact of its kind reports is `Unread`. How facts become those of the rules is told in `facts/assemble.py`.
"""

from __future__ import annotations

from service.errors import Problem
from service.fhir.build import Resource
from service.fhir.check_in import read_check_in
from service.fhir.codes import codings_with
from service.fhir.counted import counted
from service.fhir.facts.fact import Fact, Reported, Unread, kind_of
from service.fhir.facts.treatment import RedFlagFact, WithdrawnFlagFact
from service.fhir.facts.words import FactKind
from service.fhir.read_observation import read_observation
from service.fhir.read_other import read_other
from service.fhir.reading import Reading
from service.rules.kinds import RedFlagKind

_WITHDRAWN = ("entered-in-error", "cancelled")
_NEVER_CANCELLED = (FactKind.RED_FLAG, FactKind.SIDE_EFFECT)


def read(resource: Resource, path: str) -> tuple[Fact | None, list[Problem]]:
    """The fact in a resource (None when it holds none, or none that can be read) and everything wrong with it.

    A resource entered in error holds no fact, but that a red flag was withdrawn; it is still checked.
    """
    reading = Reading(resource, path)
    reported = _reported(reading)
    if reported is not None and kind_of(reported) in _NEVER_CANCELLED and resource.get("status") == "cancelled":
        words = "A red flag is closed by the office it is for, and a side effect ends on a day; neither is cancelled."
        reading.wrong("status", words)
    fact = _withdrawn_flag(reported) if is_withdrawn(resource) else counted(resource, reported)
    return fact, reading.problems


def _withdrawn_flag(reported: Reported | None) -> WithdrawnFlagFact | None:
    """What is left of a fact entered in error: nothing, but of a red flag that it was reported and withdrawn."""
    if not isinstance(reported, RedFlagFact):
        return None
    return WithdrawnFlagFact(day=reported.day, clock=reported.clock, red_flag=reported.red_flag)


def reported_by(resource: Resource) -> Reported | None:
    """The fact a resource reports or, entered in error, reported; None when it is of no kind the rules use."""
    return _reported(Reading(resource, ""))


def red_flag_in(reported: Reported | None) -> RedFlagKind | None:
    """The kind of red flag that is reported, also where the rest of the report cannot be read."""
    if isinstance(reported, RedFlagFact):
        return reported.red_flag
    if isinstance(reported, Unread) and reported.kind is FactKind.RED_FLAG:
        return reported.red_flag
    return None


def _reported(reading: Reading) -> Reported | None:
    kind = reading.resource["resourceType"]
    if kind == "Observation":
        return read_observation(reading)
    if kind == "QuestionnaireResponse":
        return read_check_in(reading)
    return read_other(reading)


def is_withdrawn(resource: Resource) -> bool:
    """Whether a resource was entered in error, cancelled or, for a Condition, refuted, and so holds no fact."""
    kind = resource.get("resourceType")
    if kind == "Condition":
        return codings_with(resource.get("verificationStatus"), "entered-in-error", "refuted")
    return kind != "Task" and resource.get("status") in _WITHDRAWN
