"""Whether a sender may write what a message holds: by scope, by kind of office, by part in the case, by authorship.

Runs inside the message's transaction, on what it will write; a refusal names every resource that may not be written.
What others made is not here for who may not see it, so that nothing is refused with a sentence that tells of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from service.access.duties import PARTS, WORDS, writers_of
from service.access.grant import Grant, Office
from service.deciding.snapshot import Snapshot
from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import SHARED, Resource
from service.fhir.codes import codings_of
from service.fhir.facts.fact import kind_of
from service.fhir.interactions import DELETABLE
from service.fhir.json_text import load
from service.fhir.read_facts import reported_by
from service.fhir.read_other import is_referral
from service.fhir.referral_task import Role
from service.inbound.plain import Mapped
from service.intake.identified import Identified, changed_elements
from service.intake.parties.admitting import Admitting, Party
from service.intake.parties.parties import FromSender
from service.intake.sender import Bound, Sender, role_as
from service.rows import FULFILLER, Case

_MOVERS = {Role.FULFILLER: Office.DENTAL_OFFICE, Role.PLACER: Office.PHYSICIAN}
"""Who moves a referral in which role; a laboratory places one for the physician, and no more."""
_AUTHORED = SHARED | DELETABLE | {"ServiceRequest"}
"""Types of which the organisation that wrote a resource changes it: people and organisations, messages, requests."""
_DOORS = {Role.FULFILLER: {Office.DENTAL_OFFICE}, Role.PLACER: {Office.PHYSICIAN, Office.SLEEP_LAB}}


def as_limited(mapped: Mapped, sender: Sender) -> Mapped:
    """A message as access control takes it: nobody chooses the id of what others could have under it."""
    if sender.grant.emergency:
        raise refuse(Category.FORBIDDEN, "Emergency access reads; it writes nothing.")
    if sender.is_limited:
        for draft in mapped.drafts:
            draft.may_create = False
    return mapped


def check(message: FromSender, mapped: Mapped, case: Case | None, asked_of: str) -> Sender:
    """The sender in the role it acts in. Refused with everything the message may not write.

    `asked_of` is the organisation that the referral of a stored case is asked of, empty where that is not known.
    """
    snapshot, sender, items = message.snapshot, message.sender, message.items
    _check_bound(sender.bound, case, message.opened, mapped, items)
    _check_governed(snapshot, items)
    if not sender.is_limited:
        return sender
    acting = _acting(message, case, asked_of)
    sent = [i for i in items if i.draft.parent is None]
    problems = [p for item in sent for p in _scope(sender.grant, item)]
    opens = any(is_referral(i.resource) for i in items)
    for item in sent:
        if item.what in ("created", "updated", "deleted") or not (item.draft.type in SHARED or item.draft.found):
            problems.extend(_duty(sender.grant.offices if item.draft.type in SHARED else acting, item, opens))
    problems.extend(_authorship(snapshot, sender.grant, acting, sent))
    if mapped.move is not None and _MOVERS[mapped.move.role] not in acting:
        sentence = f"This message is the {mapped.move.role}'s; this client acts as {_words(acting)}."
        problems.append(Problem(Category.FORBIDDEN, sentence))
    if problems:
        raise Refused(problems)
    return replace(sender, role=sender.role if _as_door(acting, sender.role) else role_as(acting))


def let_write(admitting: Admitting, sender: Sender, items: Sequence[Identified]) -> None:
    """Remember what is only its writer's to change."""
    if sender.is_limited:
        made = [(i.draft.type, i.id) for i in items if i.what == "created" and i.draft.type in _AUTHORED]
        admitting.let_read(made, sender.grant.organisation, wrote=True)


def _check_bound(
    bound: Bound | None, case: Case | None, opened: bool, mapped: Mapped, items: Sequence[Identified]
) -> None:
    """Refused when a sender that is held to one case and some kinds of facts goes beyond either."""
    if bound is None:
        return
    own = case is not None and not opened and case.case_number == bound.case_number
    told = [reported_by(i.resource) for i in items if i.draft.parent is None]
    if not own or mapped.move is not None or any(t is None or kind_of(t) not in bound.kinds for t in told):
        raise refuse(Category.FORBIDDEN, "This link tells how the patient is, in its own case, and nothing else.")


_CONTACT = frozenset({"telecom", "address", "contact"})
"""What a registered organisation says of itself; its name and its numbers are the operator's."""


def _check_governed(snapshot: Snapshot, items: Sequence[Identified]) -> None:
    """Refused when more than the contact data of a registered organisation is changed, by whoever."""
    changed = [i for i in items if i.draft.type == "Organization" and i.what in ("updated", "deleted") and i.before]
    governed = snapshot.registered(i.reference for i in changed)
    problems: list[Problem] = []
    for item in changed:
        before = load(item.before.body) if item.before else {}
        differing = sorted(changed_elements(before, item.resource) - _CONTACT)
        if before.get("text") != item.resource.get("text"):
            differing.append("text")
        if item.reference in governed and (differing or item.what == "deleted"):
            what = ", ".join(f"«{name}»" for name in differing) or "what is on record"
            sentence = f"{item.reference} is registered: {what} is the operator's to change; contact data is its own."
            problems.append(Problem(Category.BUSINESS_RULE, sentence, item.draft.path or item.draft.type))
    if problems:
        raise Refused(problems)


def _acting(message: FromSender, case: Case | None, asked_of: str) -> frozenset[Office]:
    """As which offices a client acts: those it is registered as, and is in this case."""
    grant = message.sender.grant
    if case is None:
        return grant.offices
    if message.opened:
        return grant.offices - {Office.DENTAL_OFFICE}
    parties = message.snapshot.parties(case.case_number)
    own = {part for organisation, part in parties if organisation == grant.organisation}
    acting = {office for office in grant.offices if PARTS[office] in own}
    if fulfiller(parties, asked_of) != grant.organisation:
        acting.discard(Office.DENTAL_OFFICE)
    return frozenset(acting)


def fulfiller(parties: Iterable[Party], asked_of: str) -> str:
    """The dental office that acts in a case: the party its referral is asked of, where that is known; empty for none.

    One that the referral was asked of before stays a party, which reads what it did, and acts no more.
    """
    offices = {organisation for organisation, part in parties if part == FULFILLER}
    return min((organisation for organisation in offices if asked_of in ("", organisation)), default="")


def _as_door(acting: frozenset[Office], role: Role) -> bool:
    return role in _DOORS and bool(acting & _DOORS[role])


def _scope(grant: Grant, item: Identified) -> list[Problem]:
    letter = {"created": "c", "updated": "u", "deleted": "d"}.get(item.what, "u" if item.draft.updates else "c")
    kind = item.draft.type
    if grant.allows(letter, kind):
        limited = grant.categories(letter, kind)
        if limited is None or limited & _categories(item.resource):
            return []
    sentence = f"The token's scopes do not grant this: system/{kind}.{letter} is needed."
    return [Problem(Category.FORBIDDEN, sentence, item.draft.path or kind)]


def _categories(resource: Resource) -> set[str]:
    held = resource.get("category")
    concepts = held if isinstance(held, list) else [held]
    return {f"{c.get('system', '')}|{c.get('code', '')}" for concept in concepts for c in codings_of(concept)}


def _duty(acting: frozenset[Office], item: Identified, opens: bool) -> list[Problem]:
    """What a resource tells, and what it told before, is for one of the acting offices to write."""
    may = writers_of(item.resource, reported_by(item.resource), opens)
    if item.before is not None and not item.before.deleted:
        before = load(item.before.body)
        may &= writers_of(before, reported_by(before), opens)
    if may & acting:
        return []
    who = _words(may) if may else "the service alone"
    sentence = f"This {item.draft.type} is written by {who}; this client acts as {_words(acting)}."
    return [Problem(Category.FORBIDDEN, sentence, item.draft.path or item.draft.type)]


def _authorship(
    snapshot: Snapshot, grant: Grant, acting: frozenset[Office], items: Sequence[Identified]
) -> list[Problem]:
    """What has an author is changed by it; a patient also by who refers them, a request by the physician's office.

    A laboratory that only tests does not edit the referral, which says who the parties are.
    """
    changed = [
        i for i in items if i.what in ("updated", "deleted") and i.draft.type in _AUTHORED and i.before is not None
    ]
    readers = snapshot.readers((i.draft.type, i.id) for i in changed)
    own = {key for key, found in readers.items() if found.get(grant.organisation)}
    others = {"Patient": acting & {Office.PHYSICIAN, Office.SLEEP_LAB}, "ServiceRequest": acting & {Office.PHYSICIAN}}
    return [
        Problem(
            Category.FORBIDDEN,
            f"{i.reference} is changed by the organisation that wrote it.",
            i.draft.path or i.draft.type,
        )
        for i in changed
        if (i.draft.type, i.id) not in own and i.reference != grant.organisation and not others.get(i.draft.type)
    ]


def _words(offices: frozenset[Office]) -> str:
    return " or ".join(WORDS[o] for o in sorted(offices)) if offices else "no party to this case"
