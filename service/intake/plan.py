"""THE STORY of a message: place, identify, check, permit, move, decide. Pure: what is stored comes as a snapshot.

    load a snapshot -> plan_change(snapshot, message, occasion, house) -> a change, or a refusal -> apply the change

Nothing here has a connection, a clock or the network. A problem anywhere refuses the whole message with every problem
found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from service.deciding.anew import plan_for_patient
from service.deciding.commitments import commitment, touched_by
from service.deciding.decide import summary_of
from service.deciding.decide_case import Deciding
from service.deciding.facts_anew import is_outdated, read_anew
from service.deciding.house import House, NewId, Occasion
from service.deciding.snapshot import Snapshot
from service.deciding.state import CaseState, state_in
from service.deciding.superseded import LoadedFacts
from service.deciding.versions import as_version
from service.errors import Category, Problem, refuse
from service.fhir.audit_commitment import sha256_of
from service.fhir.audit_event import Interaction, audit_event
from service.fhir.build import Draft
from service.fhir.dates import instant_after
from service.fhir.read_other import is_referral
from service.intake import belonging, checks, identities, patients, which_case
from service.intake.about_case import AboutCase, CaseOutcome, plan_case
from service.intake.answers import Answer
from service.intake.change import Change, MessageToKeep, PlannedChange
from service.intake.conditions import settled
from service.intake.deleting import check_unreferred
from service.intake.identified import Identified
from service.intake.identify import Addresses, identify
from service.intake.message import Incoming
from service.intake.outcomes import outcome_of, row_of
from service.intake.parties import parties, permitted
from service.intake.parties.admitting import Admission, Admitting
from service.intake.parties.naming import Resolver
from service.intake.parties.parties import FromSender
from service.intake.sender import Sender
from service.rows import Case, nobodys


@dataclass(frozen=True, slots=True)
class Placed:
    """A message with its place: the case it is about, the resources it comes to, and the instant it is written at.

    `case` is None for what is of no case; `loaded` are facts that were read anew. `others` are further cases that decide
    anew, because the record of their patient changes.
    """

    items: tuple[Identified, ...]
    now: str
    case: Case | None
    state: CaseState
    opened: bool
    loaded: LoadedFacts | None
    others: tuple[Case, ...]


@dataclass(frozen=True, slots=True)
class Permitted:
    """A message that its sender may send: in which role, who sees more since, and what the sender is warned of."""

    sender: Sender
    state: CaseState
    admission: Admission
    warnings: Mapping[str, tuple[Problem, ...]]


def plan_change(snapshot: Snapshot, incoming: Incoming, occasion: Occasion, house: House) -> PlannedChange:
    """What a message changes. Refused with every problem found; NotLoaded when the snapshot lacks an answer."""
    if not incoming.mapped.drafts and incoming.mapped.move is None:
        raise refuse(Category.INVALID, "The message is empty: it holds no entry.")
    new_id = occasion.ids()
    placed = _placed(snapshot, incoming, occasion, new_id)
    reported = checks.read_all(placed.items, incoming.received.plain, occasion.today, occasion.moment)
    allowed = _permitted(snapshot, incoming, placed, house)
    check_unreferred(snapshot, placed.items)
    move = incoming.mapped.move
    if move is not None and not incoming.mapped.drafts:
        checks.check_day(move.on, "on", occasion.today, occasion.moment)
    own = [row_of(i, placed.case, placed.now) for i in placed.items if i.written or i.what == "deleted"]
    outcome = CaseOutcome(tuple(own))
    if placed.case is not None:
        about = AboutCase(incoming.mapped, placed.items, allowed.sender, placed.opened, placed.loaded, tuple(own))
        deciding = Deciding(
            house, occasion.today, placed.now, new_id, lambda: _parties(snapshot, placed, allowed), snapshot.current
        )
        outcome = plan_case(snapshot, about, (placed.case, allowed.state), reported, deciding)
    return _written(snapshot, incoming, (placed, allowed, outcome), occasion, house)


def _placed(snapshot: Snapshot, incoming: Incoming, occasion: Occasion, new_id: NewId) -> Placed:
    """Which case a message is about, and which resources it comes to. Refused with what cannot be placed."""
    mapped = permitted.as_limited(incoming.mapped, incoming.received.sender)
    drafts: Sequence[Draft] = mapped.drafts
    if not incoming.received.plain:
        drafts = settled(snapshot, drafts, occasion.moment)
    case, known = which_case.case_and_known(snapshot, drafts, incoming.case_number)
    now = instant_after(occasion.moment, case.changed_at if case else "")
    state, loaded = state_in(case) if case else CaseState(), None
    if case is not None and is_outdated(case):
        case, state, loaded = read_anew(snapshot, case, state)
    addresses = which_case.addresses(snapshot, case, state.appliance, mapped)
    items = identify(snapshot, drafts, known, Addresses(addresses, new_id))
    others, now = patients.others_changed(snapshot, items, case, now)
    opened = case is None and any(is_referral(i.resource) for i in items)
    if opened:
        case = which_case.open_case(items, occasion.case_number(), now)
    belonging.check_references(snapshot, items, _own_references(items, None if opened else case))
    if case is not None:
        belonging.check_belonging(items, case, opened)
        case, because = belonging.following_replaced(snapshot, items, case, state.replaced_because)
        state = state.but(replaced_because=because)
    return Placed(tuple(items), now, case, state, opened, loaded, tuple(others))


def _permitted(snapshot: Snapshot, incoming: Incoming, placed: Placed, house: House) -> Permitted:
    """Whether the sender may send the message, and who is a party to its case since. Refused otherwise."""
    case, items = placed.case, placed.items
    message = FromSender(snapshot, incoming.received.sender, items, placed.opened)
    asked_of = "" if placed.opened else placed.state.asked_of
    sender = permitted.check(message, incoming.mapped, case, asked_of)
    admitting, state, warnings = Admitting(snapshot, case), placed.state, dict[str, tuple[Problem, ...]]()
    if case is not None:
        resolver = Resolver(snapshot, sender.organisation or "", {i.reference: i.resource for i in items if i.written})
        found = parties.found_in(admitting, resolver, case, state, replace(message, sender=sender))
        state = found.state
        warnings = parties.warnings_of(items, found, house.refuses_unknown_offices)
    permitted.let_write(admitting, sender, items)
    return Permitted(sender, state, admitting.result(), warnings)


def _written(
    snapshot: Snapshot,
    incoming: Incoming,
    came_to: tuple[Placed, Permitted, CaseOutcome],
    occasion: Occasion,
    house: House,
) -> PlannedChange:
    """The change with the message as it was received and its entry in the audit, and the answer to it."""
    placed, allowed, outcome = came_to
    received, new_id = incoming.received, occasion.ids("entry")
    case = outcome.change.case if outcome.change else None
    number, event = case.case_number if case else "", new_id()
    touched = touched_by(outcome.rows, [i.reference for i in placed.items])
    people = [case.patient] if case else sorted({t.split("/_h")[0] for t in touched if t.startswith("Patient/")})
    digest = sha256_of(received.text)
    commits = commitment(outcome.rows, case, allowed.admission.admitted, digest)
    done = Interaction(received.interaction, received.request_id, received.channel, touched, people, commits=commits)
    entry = audit_event(done, replace(incoming.asker, called=incoming.mapped.agent), placed.now)
    rows = [*outcome.rows, as_version(entry, event, 1, number or nobodys(event), placed.now)]
    changes = [outcome.change] if outcome.change else []
    for other in placed.others:
        record = next(row for row in outcome.rows if row.reference == other.patient)
        anew = plan_for_patient(snapshot, other, record, occasion, house)
        changes.append(anew.case)
        rows.extend(anew.rows)
    warnings = _joined(allowed.warnings, outcome.warnings)
    answer = Answer(
        number,
        [outcome_of(i, outcome.rows, warnings) for i in placed.items],
        placed.opened,
        summary_of(number, outcome.view) if outcome.view else {},
        list(outcome.notes),
    )
    message = MessageToKeep(received.request_id, placed.now, received.channel, number, digest, received.text)
    ids = identities.identity_change(snapshot, placed.items)
    return PlannedChange(Change(tuple(rows), tuple(changes), allowed.admission, ids, message), answer)


def _parties(snapshot: Snapshot, placed: Placed, allowed: Permitted) -> frozenset[tuple[str, str]]:
    """The parties of the case of a message, with those that it adds."""
    stored = snapshot.parties(placed.case.case_number) if placed.case and not placed.opened else frozenset()
    return stored | frozenset(allowed.admission.parties)


def _joined(*warnings: Mapping[str, tuple[Problem, ...]]) -> dict[str, tuple[Problem, ...]]:
    references = {reference for some in warnings for reference in some}
    return {r: tuple(problem for some in warnings for problem in some.get(r, ())) for r in references}


def _own_references(items: Sequence[Identified], case: Case | None) -> set[str]:
    """References that need no look-up: the message's own resources and the case's."""
    own = {i.reference for i in items if i.what not in ("deleted", "gone")}
    if case:
        own |= {r for r in (case.patient, case.referral, case.task, case.physician, case.dental_office) if r}
    return own
