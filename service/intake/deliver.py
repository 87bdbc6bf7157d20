"""A referral that waited for an office: resolved again when the operator has bound a number. Pure."""

from __future__ import annotations

from dataclasses import replace

from service.deciding.anew import ReasonAnew, ground_of, plan_anew
from service.deciding.house import House, Occasion
from service.deciding.snapshot import Snapshot
from service.fhir.dates import instant_after
from service.intake.change import Change
from service.intake.parties.admitting import Admitting
from service.intake.parties.delivery import deliver
from service.intake.referral.moves import with_delivery


def plan_delivery(snapshot: Snapshot, case_number: str, occasion: Occasion, house: House) -> Change | None:
    """What waits of a case resolved again by today's bindings, and the case decided anew; None when no party is new."""
    case = snapshot.locked_case(case_number)
    if case is None:
        return None
    ground = ground_of(snapshot, case, house, occasion.today)
    admitting = Admitting(snapshot, case)
    new, state = deliver(snapshot, admitting, case, ground.state)
    admission = admitting.result()
    if not new:
        return None
    now = instant_after(occasion.moment, case.changed_at)
    task, state = with_delivery(snapshot, case, state, None, now)
    ground = replace(ground, state=state, task=task)
    reason = ReasonAnew("an office was bound", admitted=admission.admitted)
    anew = plan_anew(snapshot, ground, occasion, house, reason)
    return Change(anew.rows, (anew.case,), admission)
