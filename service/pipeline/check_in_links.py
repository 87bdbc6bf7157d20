"""Links by which a patient checks in: made for a case by its dental office, ended by it, and what comes by them.

The secret is 256 random bits in the link's address; the database holds its SHA-256 alone. Whoever holds a link tells how
the patient is, in that one case, and reads this week's instruction; nothing else passes.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from typing import Any

from sqlalchemy import Connection

from service.access.grant import Grant, Office, scopes_of
from service.deciding.fact_rows import facts_of
from service.deciding.state import state_in
from service.deciding.versions import as_version
from service.errors import Category, Refused, refuse
from service.fhir.audit_commitment import Commitment
from service.fhir.audit_event import Interaction, audit_event
from service.fhir.dates import instant
from service.fhir.facts.assemble import assemble
from service.fhir.json_text import load, write
from service.fhir.referral_task import Role
from service.inbound.progress import map_progress
from service.intake.answers import Answer
from service.intake.parties.permitted import fulfiller
from service.intake.sender import Bound, Sender
from service.new_id import new_id
from service.pipeline.access.asking import asker
from service.pipeline.access.callers import caller_for
from service.pipeline.page_reads import entry_read
from service.pipeline.pipeline import Pipeline, Received
from service.pipeline.telephones import Telephone, telephones_of
from service.rows import Case, split
from service.rules import limits
from service.rules.stage import StageName
from service.store import cases, check_in_links, parties, resources
from service.store.check_in_links import CheckInLink

CLIENT, PERSON = "check-in-link", "patient by link"
KINDS = frozenset({"check-in", "side-effect", "red-flag"})
SCOPES = ("user/QuestionnaireResponse.cu", "user/Observation.cu")
PAIN = "jaw or tooth pain"
_SECRET = re.compile(r"[A-Za-z0-9_-]{43}")
_MOST_CHANGES = 30
"""Changes of one day's answers that are taken (our own choice): a person needs few, a program could go on for ever."""
_ALWAYS_ASKED_DAYS = 7
"""Nights asked about while nothing tells since when: a week."""


@dataclass(frozen=True, slots=True)
class NewLink:
    """A link as it is told once: its secret, and until when it holds (an instant)."""

    secret: str
    expires_at: str


@dataclass(frozen=True, slots=True)
class Asking:
    """What a patient's page needs of the case: initials, what to do, since when and about how many nights it asks.

    `week` is this week's instruction, empty before there is one; `driving_untold` whether nobody told yet what they drive.
    """

    case_number: str
    grant: Grant
    initials: str
    week: str
    besides: tuple[str, ...]
    as_of: str
    since: date | None
    nights: int
    driving_untold: bool
    telephones: Mapping[str, Telephone]


@dataclass(frozen=True, slots=True)
class Told:
    """What a patient told: fields of a check-in as in a plain message, the grade of pain, kinds of red flags."""

    check_in: Mapping[str, Any] = field(default_factory=dict)
    pain_grade: int | None = None
    red_flags: tuple[str, ...] = ()


def make(pipeline: Pipeline, grant: Grant, case_number: str, days: int, request_id: str) -> NewLink:
    """A new link for a case; the one before ends."""
    secret = secrets.token_urlsafe(32)
    made_at, until = pipeline.now(), pipeline.now() + timedelta(days=days)
    link = CheckInLink(_hash(secret), case_number, instant(made_at), instant(until))

    def work(tx: Connection) -> None:
        case = _of_dental_office(tx, grant, case_number)
        if case.dental_office is None:
            raise refuse(Category.BUSINESS_RULE, "This case has no dental office that could answer the patient.")
        if case.stage == StageName.CLOSED:
            raise refuse(Category.BUSINESS_RULE, "This case is closed; nothing can be reported any more.")
        check_in_links.end_all(tx, case_number)
        check_in_links.add(tx, link)
        _audit(tx, case, "a check-in link was made", link.made_at, request_id)

    pipeline.database.seen_by(caller_for(grant)).write(work)
    return NewLink(secret, link.expires_at)


def end(pipeline: Pipeline, grant: Grant, case_number: str, request_id: str) -> bool:
    """End the link of a case; whether there was one."""

    def work(tx: Connection) -> bool:
        case = _of_dental_office(tx, grant, case_number)
        ended = check_in_links.end_all(tx, case_number) > 0
        if ended:
            _audit(tx, case, "the check-in link was ended", instant(pipeline.now()), request_id)
        return ended

    return pipeline.database.seen_by(caller_for(grant)).write(work)


def standing(pipeline: Pipeline, grant: Grant, case_number: str) -> CheckInLink | None:
    """The link of a case that holds now, without its secret."""

    def work(tx: Connection) -> CheckInLink | None:
        _of_dental_office(tx, grant, case_number, to_write=False)
        return check_in_links.standing(tx, case_number, instant(pipeline.now()))

    return pipeline.database.seen_by(caller_for(grant)).read(work)


def opened(pipeline: Pipeline, secret: str) -> Asking | None:
    """What to ask whoever holds a link; None when it does not hold, whatever the reason."""
    case = pipeline.database.read(lambda tx: _case_of(tx, pipeline, secret))
    return _asking(pipeline, case) if case else None


def take(pipeline: Pipeline, secret: str, told: Told, request_id: str) -> Answer | None:
    """Store what a patient told today; None when the link does not hold.

    The entries are known by link and day: the same again changes nothing, other answers on the same day correct them.
    """

    def work(tx: Connection) -> Answer | None:
        case = _case_of(tx, pipeline, secret)
        if case is None:
            return None
        grant, number = _grant(tx, case), case.case_number
        message = write(_message(pipeline, number, _hash(secret)[:12], told)).encode()
        bound = Sender(Role.FULFILLER, grant, Bound(number, KINDS))
        received = Received("check-in link", message, request_id, plain=True, sender=bound)
        answer = pipeline.receive(received, partial(map_progress, case_number=number), number)
        check_in_links.used(tx, _hash(secret))
        return answer

    return pipeline.database.write(work)


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _of_dental_office(tx: Connection, grant: Grant, case_number: str, to_write: bool = True) -> Case:
    """The case, for its dental office alone; locked to write, so that two new links at once leave one."""
    case = (cases.lock if to_write else cases.get)(tx, case_number)
    if case is None:
        raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
    own = fulfiller(parties.of_case(tx, case_number), state_in(case).asked_of) == grant.organisation
    if not grant.is_open and not (own and Office.DENTAL_OFFICE in grant.offices and not grant.emergency):
        raise refuse(Category.FORBIDDEN, "A check-in link is made and ended by the dental office of the case.")
    return case


def _audit(tx: Connection, case: Case, what: str, now: str, request_id: str) -> None:
    number = case.case_number
    commits = Commitment(number)
    done = Interaction("operation", request_id, what, (f"CarePlan/{number}",), (case.patient,), commits=commits)
    resources.append_versions(tx, [as_version(audit_event(done, asker(), now), new_id(), 1, number, now)])


def _case_of(tx: Connection, pipeline: Pipeline, secret: str) -> Case | None:
    """The case of a link that holds, is open and has a dental office."""
    link = check_in_links.find(tx, _hash(secret)) if _SECRET.fullmatch(secret) else None
    if link is None or not link.holds_at(instant(pipeline.now())):
        return None
    case = cases.get(tx, link.case_number)
    return case if case and case.dental_office and case.stage != StageName.CLOSED else None


def _grant(tx: Connection, case: Case) -> Grant:
    """What a link grants, which it is bound to: the dental office takes down what the patient tells, and no more.

    A case that was told of while access control was off has no party.
    """
    own = fulfiller(parties.of_case(tx, case.case_number), state_in(case).asked_of)
    return Grant(CLIENT, frozenset({Office.DENTAL_OFFICE}), own, scopes_of(SCOPES), PERSON, is_open=not own)


def _asking(pipeline: Pipeline, case: Case) -> Asking:
    data, today = pipeline.case(case.case_number), pipeline.today()

    def work(tx: Connection) -> Asking:
        known = assemble(facts_of(cases.facts(tx, case.case_number))).known_on(today)
        told = [c.moment.day for c in known.check_ins if c.moment.day < today]
        worn = [a.delivered_on for a in known.appliances if a.delivered_on < today]
        since = max(told, default=max(worn, default=None))
        nights = (today - since).days if since else _ALWAYS_ASKED_DAYS
        held = resources.current(tx, *split(case.patient))
        instructions = {a["title"]: a["instruction"] for a in data["activities"]}
        return Asking(
            case.case_number,
            _grant(tx, case),
            _initials(load(held.body) if held and not held.deleted else {}),
            instructions.get(_WEEK, ""),
            tuple(instructions[title] for title in _BESIDES if title in instructions),
            data["as_of"],
            since,
            min(nights, int(limits.NIGHTS.high)),
            not any(c.driving for c in known.check_ins),
            telephones_of(tx, case.physician, case.dental_office, pipeline.site),
        )

    return pipeline.database.read(work)


_WEEK, _BESIDES = "This week", ("Getting used to the appliance", "Efficacy test")
NOT_SHOWN = ("old", "maiden", "anonymous")
"""Uses of names that are former or invented ones."""


def _initials(patient: Mapping[str, Any]) -> str:
    """The patient's initials: a link can be passed on, and need not tell to whom it was given."""
    for name in patient.get("name", []):
        if name.get("use") in NOT_SHOWN:
            continue
        parts = [*name.get("given", [])[:1], *([name["family"]] if name.get("family") else [])]
        if parts:
            return " ".join(f"{part.strip()[:1].upper()}." for part in parts if part.strip())
    return ""


def _message(pipeline: Pipeline, case_number: str, link: str, told: Told) -> dict[str, Any]:
    """The plain progress message of what was told today."""
    today = pipeline.today().isoformat()
    base = f"link-{link}-{today}"
    message: dict[str, Any] = {}
    if told.check_in:
        said = {"reported_by": "patient", **told.check_in}
        message["check_ins"] = [_entry(pipeline, case_number, "check-in", base, today, said)]
    if told.pain_grade is not None:
        said = {"kind": PAIN, "grade_0_to_3": told.pain_grade}
        message["side_effects"] = [_entry(pipeline, case_number, "side-effect", f"{base}-pain", today, said)]
    flags = [_flag(pipeline, case_number, f"{base}-{kind}", kind) for kind in dict.fromkeys(told.red_flags)]
    return message | ({"red_flags": flags} if flags else {})


def _flag(pipeline: Pipeline, case_number: str, entry_id: str, kind: str) -> dict[str, Any]:
    """A warning sign with its time: the entry of today while it is open, a new one once an office has closed it."""
    still_open = any(f["kind"] == kind for f in pipeline.case(case_number)["red_flags"])
    for beside in range(1, _MOST_CHANGES):
        name = entry_id if beside == 1 else f"{entry_id}-{beside}"
        try:
            held = entry_read(pipeline, case_number, "red-flag", name)
        except Refused:
            return {"entry_id": name, "reported_on": pipeline.local_time(), "kind": kind}
        if held.withdrawn or held.fields.get("resolved_on") or not still_open:
            continue
        told = {"entry_id": name, "reported_on": held.fields["reported_on"], "kind": kind}
        return told | ({"revision": held.revision} if held.revision > 1 else {})
    raise refuse(Category.BUSINESS_RULE, "These answers were changed too often today. Please call your dental office.")


def _entry(
    pipeline: Pipeline, case_number: str, kind: str, entry_id: str, today: str, said: Mapping[str, Any]
) -> dict[str, Any]:
    """An entry of today: the same as before, a correction of it, or a new one beside one that was withdrawn or resolved."""
    for beside in range(1, _MOST_CHANGES):
        name = entry_id if beside == 1 else f"{entry_id}-{beside}"
        try:
            held = entry_read(pipeline, case_number, kind, name)
        except Refused:
            return {"entry_id": name, "reported_on": today, **said}
        if held.withdrawn or held.fields.get("resolved_on"):
            continue
        same = _comparable(held.fields) == _comparable({"reported_on": today, **said})
        revision = held.revision if same else held.revision + 1
        if revision > _MOST_CHANGES:
            break
        return {"entry_id": name, "reported_on": today, **said} | ({"revision": revision} if revision > 1 else {})
    raise refuse(Category.BUSINESS_RULE, "These answers were changed too often today. Please call your dental office.")


def _comparable(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value is not None}
