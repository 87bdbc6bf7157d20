"""Emergency access: opened to one patient's record by an act of its own, told to the parties, kept until reviewed.

It opens reading alone, for some hours, and everything read by it is audited with purpose of use BTG.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from sqlalchemy import Connection

from service.access.emergency import (
    HEADER,
    MOST_OF_ONE_CLIENT_AN_HOUR,
    MOST_OF_ONE_PERSON_AN_HOUR,
    Emergency,
    in_words,
)
from service.access.grant import Grant
from service.access.limits import Failures
from service.deciding.announce import notice_of_emergency
from service.deciding.versions import as_version
from service.errors import Category, Problem, Refused, refuse
from service.fhir.audit_commitment import Commitment
from service.fhir.audit_event import Interaction, audit_event
from service.fhir.dates import instant
from service.fhir.json_text import load
from service.new_id import new_id
from service.pipeline.access.asking import asker
from service.pipeline.access.callers import caller_for
from service.pipeline.pipeline import Pipeline
from service.rows import nobodys, split
from service.store import cases, emergencies, notices, resources
from service.store.caller import ALL_SEEING
from service.store.emergencies import Access

_HOUR = timedelta(hours=1)
_LONGEST_NAME = 120
_MOST_TOLD = 5


@dataclass(frozen=True, slots=True)
class Policy:
    """Who may open emergency access, and for how long.

    `clients` are ids; `people` are words: kinds of office, and people by the subject that `person list` shows.
    """

    clients: frozenset[str] = frozenset()
    people: frozenset[str] = frozenset()
    hours: int = 4


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked for: a patient (`Patient/id`) or a case by its number, and why.

    `person` is the name of the signed-in person, as registered, or the one that a client names.
    """

    patient: str
    case_number: str
    reason: str
    person: str = ""


@dataclass(frozen=True, slots=True)
class OpenedAccess:
    """An access, and the numbers of the cases that it opens."""

    access: Access
    cases: list[str]


class Emergencies:
    """The emergency accesses of a database. One per process; safe to share between threads."""

    def __init__(self, pipeline: Pipeline, policy: Policy) -> None:
        self._pipeline = pipeline
        self._policy = policy
        self._database = pipeline.database.seen_by(ALL_SEEING)
        self._misses = Failures()

    @property
    def hours(self) -> int:
        """For how many hours an access is open."""
        return self._policy.hours

    def may_open(self, grant: Grant) -> bool:
        """Whether a client or a signed-in person may open emergency access."""
        if grant.is_open or not grant.client:
            return False
        if grant.person:
            return bool(self._policy.people & {grant.person, *grant.offices})
        return grant.client in self._policy.clients

    def open(self, grant: Grant, wanted: Wanted, request_id: str) -> OpenedAccess:
        """Open an access, and tell the parties. Refused with what is wrong with it; nothing is opened then."""
        if grant.is_open:
            raise refuse(Category.BUSINESS_RULE, "Access control is off: everything can be read as it is.")
        if not self.may_open(grant):
            raise refuse(Category.FORBIDDEN, "Emergency access is not granted to this client or person.")
        wanted = _checked(grant, wanted)
        now = self._pipeline.now()
        key = f"{grant.client} {grant.organisation} {grant.person}"
        if self._misses.wait_s(key, now.timestamp()):
            raise refuse(Category.TOO_MANY, "Too many patients and cases asked for were not here; wait a minute.")
        access = Access(
            id=new_id(),
            opened_at=instant(now),
            expires_at=instant(now + timedelta(hours=self._policy.hours)),
            client=grant.client,
            organisation=grant.organisation,
            person=grant.person,
            named=wanted.person,
            patient=wanted.patient,
            case_number=wanted.case_number,
            reason=wanted.reason,
        )
        hour_ago = instant(now - _HOUR)

        def work(tx: Connection) -> OpenedAccess:
            emergencies.take_turn(tx)
            _check_rate(emergencies.count_since(tx, access.client, access.organisation, hour_ago), access)
            about, numbers = _about(tx, access)
            self._check_needed(grant, about, numbers)
            emergencies.add(tx, about)
            _tell(tx, about, numbers, request_id)
            return OpenedAccess(about, numbers)

        try:
            return self._database.write(work)
        except Refused as refused:
            if refused.problems[0].category is Category.NOT_FOUND:
                self._misses.add(key, now.timestamp())
            raise

    def named_by(self, grant: Grant, access_id: str) -> Emergency:
        """The access that a client names with a request. Refused with 403 unless it is its own and still open."""
        found = self._database.read(lambda tx: emergencies.find(tx, access_id)) if access_id.isascii() else None
        own = found is not None and _asker(found) == (grant.client, grant.organisation, grant.person)
        if found is None or not own or found.expires_at <= self._now() or not self.may_open(grant):
            sentence = (
                "There is no such emergency access of this client, or it has ended; open one at /emergency-access."
            )
            raise refuse(Category.FORBIDDEN, sentence, HEADER)
        return in_use(found)

    def open_of(self, grant: Grant) -> list[OpenedAccess]:
        """The accesses that whoever asks has open now, the last one first."""
        if not self.may_open(grant):
            return []
        who, now = (grant.client, grant.organisation, grant.person), self._now()

        def work(tx: Connection) -> list[OpenedAccess]:
            return [OpenedAccess(a, _numbers(tx, a)) for a in emergencies.open_of(tx, *who, now)]

        return self._database.read(work)

    def covering(self, grant: Grant, reference: str) -> Emergency | None:
        """The open access without which a person does not see a resource; `CarePlan/number` stands for a case."""
        held = self.open_of(grant)
        if not held or self._sees(grant, reference):
            return None

        def work(tx: Connection) -> tuple[str, str]:
            found = resources.current(tx, *split(reference))
            case = cases.get(tx, found.case_number) if found and found.case_number else None
            return (case.patient, case.case_number) if case else (reference, "")

        patient, number = self._database.read(work)
        accesses = [one.access for one in held if one.access.patient == patient]
        return next((in_use(a) for a in accesses if not number or a.case_number in ("", number)), None)

    def told_of(self, patient: str, case_number: str) -> list[tuple[Access, str]]:
        """The last accesses to a case, each with the name of its organisation, for the parties."""

        def work(tx: Connection) -> list[tuple[Access, str]]:
            held = emergencies.about(tx, patient, case_number, _MOST_TOLD)
            offices = resources.current_of(tx, [split(a.organisation) for a in held])
            names = {f"{kind}/{i}": str(load(o.body).get("name", "")) for (kind, i), o in offices.items()}
            return [(a, names.get(a.organisation, "") or a.organisation) for a in held]

        return self._database.read(work)

    def _check_needed(self, grant: Grant, access: Access, numbers: Sequence[str]) -> None:
        wanted = [f"CarePlan/{number}" for number in numbers] or [access.patient]
        if all(self._sees(grant, reference) for reference in wanted):
            sentence = "Your organisation is a party to this case: it is read without emergency access."
            raise refuse(Category.BUSINESS_RULE, sentence)

    def _sees(self, grant: Grant, reference: str) -> bool:
        """Whether somebody sees a resource every day."""
        caller = caller_for(replace(grant, emergency=None))
        seen = self._database.seen_by(caller)
        return seen.read(lambda tx: resources.current(tx, *split(reference))) is not None

    def _now(self) -> str:
        return instant(self._pipeline.now())


def in_use(access: Access) -> Emergency:
    """An access as a grant holds it."""
    named = "" if access.person else access.named
    return Emergency(access.id, access.reason, access.patient, access.case_number, named)


def _asker(access: Access) -> tuple[str, str, str]:
    return access.client, access.organisation, access.person


def _checked(grant: Grant, wanted: Wanted) -> Wanted:
    """What is asked for, in order. Refused with everything that is wrong with it."""
    problems: list[Problem] = []
    patient, number, person = wanted.patient.strip(), wanted.case_number.strip().upper(), wanted.person.strip()
    if bool(patient) == bool(number):
        problems.append(Problem(Category.INVALID, "Name one patient or one case.", "patient"))
    if patient and not patient.startswith("Patient/"):
        problems.append(Problem(Category.INVALID, "A patient is named as Patient/id.", "patient"))
    reason = ""
    try:
        reason = in_words(wanted.reason)
    except ValueError as error:
        problems.append(Problem(Category.INVALID, str(error), "reason"))
    if not (0 < len(person) <= _LONGEST_NAME and person.isprintable()):
        sentence = f"Name the person for whom it is opened, in 1 to {_LONGEST_NAME} letters."
        problems.append(Problem(Category.INVALID, sentence, "person"))
    if problems:
        raise Refused(problems)
    return Wanted(patient, number, reason, person)


def _check_rate(counted: dict[tuple[str, str], int], access: Access) -> None:
    own = counted.get((access.person, access.named), 0)
    if own >= MOST_OF_ONE_PERSON_AN_HOUR or sum(counted.values()) >= MOST_OF_ONE_CLIENT_AN_HOUR:
        sentence = (
            f"No more than {MOST_OF_ONE_PERSON_AN_HOUR} are opened in an hour for one person, and no more than "
            f"{MOST_OF_ONE_CLIENT_AN_HOUR} for one client of an organisation."
        )
        raise refuse(Category.TOO_MANY, sentence)


def _about(tx: Connection, access: Access) -> tuple[Access, list[str]]:
    """The access with its patient, and the cases it opens. Refused with 404 when there is no such patient or case."""
    if access.case_number:
        case = cases.get(tx, access.case_number)
        if case is None:
            raise refuse(Category.NOT_FOUND, f"There is no case {access.case_number[:64]}.", "case_number")
        return replace(access, patient=case.patient), [case.case_number]
    held = resources.current(tx, *split(access.patient))
    if held is None or held.deleted:
        raise refuse(Category.NOT_FOUND, f"{access.patient[:80]} is not here.", "patient")
    return access, _numbers(tx, access)


def _numbers(tx: Connection, access: Access) -> list[str]:
    return [access.case_number] if access.case_number else cases.of_patient(tx, [access.patient])


def _tell(tx: Connection, access: Access, numbers: Collection[str], request_id: str) -> None:
    """An audit entry of each case, which its parties may read, and the notice that leads to it."""
    words = f"emergency access {access.id} opened until {access.expires_at} by {access.who}"
    by = replace(asker(), emergency=access.reason, named=in_use(access).named)
    rows = []
    for number in numbers or [""]:
        event = new_id()
        touched = (f"CarePlan/{number}",) if number else (access.patient,)
        commits = Commitment(number)
        done = Interaction("operation", request_id, words, touched, (access.patient,), commits=commits)
        belongs = number or nobodys(event)
        rows.append(as_version(audit_event(done, by, access.opened_at), event, 1, belongs, access.opened_at))
        if number:
            notices.add(tx, notice_of_emergency(number, f"AuditEvent/{event}", access.opened_at, new_id()))
    resources.append_versions(tx, rows)
