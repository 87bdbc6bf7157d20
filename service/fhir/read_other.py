"""Facts from resources that are not Observations: reports, orders, Tasks, devices and their use, diagnoses."""

from __future__ import annotations

from service.fhir.cancellation import is_cancellation, read_cancellation
from service.fhir.codes import (
    DENTAL_REFERRAL,
    EXCESSIVE_SLEEPINESS,
    POLYSOMNOGRAPHY_STUDY,
    codings_of,
    has_code,
    local,
    local_code_of,
)
from service.fhir.reading import Reading, Small, organisation_of, reference_of
from service.rules import limits
from service.rules.kinds import Office, ReferralState, TestPlace, TestPurpose

_DEVICE_LENGTHS = {
    "maximum-advance": ("maximum_advance_mm", limits.ADVANCE_MM),
    "smallest-step": ("smallest_step_mm", limits.STEP_MM),
    "starting-position": ("starting_position_mm", limits.POSITION_MM),
}


UNDELIVERED = ("undelivered-laboratory", "undelivered-physician")
"""The business status of a referral's Task that waits undelivered, by who sent it."""


def read_other(reading: Reading) -> Small | None:
    """The fact in a resource of these types; None when it holds none the rules use."""
    reader = _READERS.get(reading.resource["resourceType"])
    return reader(reading) if reader else None


def _diagnostic_report(reading: Reading) -> Small | None:
    resource = reading.resource
    categories = resource.get("category") or []
    purpose = None
    for candidate, code in ((TestPurpose.BASELINE, "baseline-test"), (TestPurpose.EFFICACY, "efficacy-test")):
        if any(has_code(c, local(code)) for c in categories):
            purpose = candidate
    if purpose is None:
        return None
    moment = reading.moment("effectiveDateTime")
    home = has_code(resource.get("code"), local("home-sleep-test"))
    laboratory = has_code(resource.get("code"), POLYSOMNOGRAPHY_STUDY)
    place = TestPlace.HOME if home else TestPlace.LABORATORY if laboratory else None
    results = [reference_of(r) for r in resource.get("result") or []]
    return {
        "kind": "sleep-test",
        "day": moment.day.isoformat() if moment else "",
        "purpose": purpose.value,
        "place": place.value if place else None,
        "results": [r for r in results if r],
        "performer": organisation_of(resource.get("performer")),
    }


def _service_request(reading: Reading) -> Small | None:
    resource = reading.resource
    if resource.get("intent") != "order":
        return None
    if has_code(resource.get("code"), DENTAL_REFERRAL):
        moment = reading.moment("authoredOn")
        return {
            "kind": "referral",
            "day": moment.day.isoformat() if moment else "",
            "prescriber": _prescriber(resource.get("requester")),
            "dental_office": _dental_office(resource.get("performer")),
        }
    if has_code(resource.get("code"), local("efficacy-test")) and resource.get("status") != "revoked":
        moment = reading.moment("authoredOn")
        return {"kind": "test-order", "day": moment.day.isoformat() if moment else ""}
    return None


def _dental_office(performers: object) -> str | None:
    """The organisation that is to treat, which stands first."""
    return organisation_of(performers[:1]) if isinstance(performers, list) else None


def _prescriber(requester: object) -> str | None:
    """The person who prescribes; an organisation alone does not say who."""
    address = reference_of(requester)
    return address if address and address.startswith(("Practitioner/", "PractitionerRole/")) else None


def is_referral(resource: Small) -> bool:
    """Whether a resource is the order that opens a case."""
    return (
        resource.get("resourceType") == "ServiceRequest"
        and resource.get("intent") == "order"
        and has_code(resource.get("code"), DENTAL_REFERRAL)
    )


def is_test_order(resource: Small) -> bool:
    """Whether a resource is a physician's order for an efficacy test."""
    return (
        resource.get("resourceType") == "ServiceRequest"
        and resource.get("intent") == "order"
        and has_code(resource.get("code"), local("efficacy-test"))
    )


def is_referral_task(resource: Small) -> bool:
    """Whether a resource is the Task that carries the state of a referral."""
    return resource.get("resourceType") == "Task" and any(
        isinstance(c, dict) and c.get("code") == "fulfill" for c in codings_of(resource.get("code"))
    )


def _task(reading: Reading) -> Small | None:
    if is_cancellation(reading.resource):
        return read_cancellation(reading)
    if not is_referral_task(reading.resource):
        return None
    state = reading.resource.get("status")
    if state not in {s.value for s in ReferralState}:
        reading.wrong("status", f"A referral is one of {', '.join(s.value for s in ReferralState)}.")
    acted = reading.resource.get("executionPeriod")
    return {
        "kind": "task",
        "state": state,
        "began": reading.day_in(acted, "start", "executionPeriod") if isinstance(acted, dict) else None,
        "acted": reading.day_in(acted, "end", "executionPeriod") if isinstance(acted, dict) else None,
        "modified": reading.day_in(reading.resource, "lastModified", ""),
        "stored": str(reading.resource.get("meta", {}).get("lastUpdated", ""))[:10],
        "undelivered": next(
            (c for c in UNDELIVERED if has_code(reading.resource.get("businessStatus"), local(c))), None
        ),
    }


def with_moves(task: Small, before: Small | None) -> Small:
    """The fact in a Task with the days on which the referral entered each of its states, carried on from `before`.

    A move is dated by the end of `executionPeriod`, when a client left that as it was by `lastModified`, and when it
    left that as well by the day on which the version was stored; never before the move it follows. A referral is
    requested from its own day on, so that is no move; that it was received says nothing any more once it moved on. An
    acceptance told after the work began is dated by the start of `executionPeriod`, as if it had come in order.
    """
    moves = [m for m in before["moves"] if m[1] != "received" or task["state"] == "received"] if before else []
    if task["state"] != (moves[-1][1] if moves else "requested"):
        fresh = (task[k] for k in ("acted", "modified") if task[k] and (before is None or task[k] != before[k]))
        on = next(fresh, task["stored"])
        moves.append([max(on, moves[-1][0]) if moves else on, task["state"]])
    began = task["began"]
    if began and moves and moves[0][1] == "in-progress" and began < moves[0][0]:
        moves.insert(0, [began, "accepted"])
    return {**task, "moves": moves, "undelivered_since": _undelivered_since(task, before)}


def _undelivered_since(task: Small, before: Small | None) -> str | None:
    """The day from which a referral waits undelivered, carried on from the version before; None for one delivered."""
    if not task["undelivered"]:
        return None
    return (before or {}).get("undelivered_since") or task["stored"]


def _device(reading: Reading) -> Small | None:
    if not has_code(reading.resource.get("type"), local("oral-appliance")):
        return None
    small: Small = {"kind": "device"}
    for index, prop in enumerate(reading.resource.get("property") or []):
        where = f"property[{index}]"
        for code, (name, limit) in _DEVICE_LENGTHS.items():
            if not isinstance(prop, dict) or not has_code(prop.get("type"), local(code)):
                continue
            values = prop.get("valueQuantity")
            if not isinstance(values, list) or len(values) != 1:
                reading.wrong(f"{where}.valueQuantity", f"Exactly one length in {limit.unit} is needed.")
                continue
            small[name] = reading.quantity({"valueQuantity": values[0]}, where, limit)
    return small


def _device_use(reading: Reading) -> Small | None:
    device = reference_of(reading.resource.get("device"))
    period = reading.resource.get("timingPeriod")
    if not device:
        return None
    if not isinstance(period, dict) or "start" not in period:
        reading.wrong("timingPeriod.start", "The day of delivery is needed.")
        return None
    start = reading.day_in(period, "start", "timingPeriod")
    end = reading.day_in(period, "end", "timingPeriod")
    if start and end and end < start:
        reading.wrong("timingPeriod.end", f"The end {end} lies before the delivery {start}.")
    if not end and reading.resource.get("status") in ("completed", "stopped"):
        reading.wrong("timingPeriod.end", "The day on which the use ended is needed.")
    return {"kind": "appliance-use", "device": device, "delivered_on": start, "ended_on": end}


_VISITS = {"dental-visit": Office.DENTIST, "physician-visit": Office.PHYSICIAN}


def _encounter(reading: Reading) -> Small | None:
    """A finished visit of a kind the rules use; one still to come, or cancelled, is none."""
    kinds = {code for concept in reading.resource.get("type") or [] if (code := local_code_of(concept))}
    office = next((o for code, o in _VISITS.items() if code in kinds), None)
    evaluation = "face-to-face-evaluation" in kinds
    if reading.resource.get("status") != "finished" or not (office or evaluation):
        return None
    period = reading.resource.get("period")
    if not isinstance(period, dict) or "start" not in period:
        reading.wrong("period.start", "The day of the visit is needed.")
        return None
    on = reading.day_in(period, "start", "period")
    if office:
        return {"kind": "visit", "visited_on": on, "office": office.value}
    return {"kind": "evaluation", "visited_on": on}


_CONDITIONS = {
    "impaired-cognition": "impaired cognition",
    "mood-disorder": "mood disorder",
    "insomnia": "insomnia",
    "hypertension": "hypertension",
    "ischaemic-heart-disease": "ischaemic heart disease",
    "history-of-stroke": "history of stroke",
}
"""Our codes of the conditions in `rules/coverage_us.py`; excessive sleepiness has a published one."""


def _condition(reading: Reading) -> Small | None:
    """A symptom or comorbidity that the documentation check knows, or else a diagnosis."""
    told = "excessive daytime sleepiness" if has_code(reading.resource.get("code"), EXCESSIVE_SLEEPINESS) else None
    told = told or _CONDITIONS.get(local_code_of(reading.resource.get("code")) or "")
    if told:
        return {"kind": "condition", "condition": told}
    codes = [c["code"] for c in codings_of(reading.resource.get("code")) if isinstance(c, dict) and "code" in c]
    return {"kind": "diagnosis", "codes": codes} if codes else None


_READERS = {
    "DiagnosticReport": _diagnostic_report,
    "ServiceRequest": _service_request,
    "Task": _task,
    "Device": _device,
    "DeviceUseStatement": _device_use,
    "Condition": _condition,
    "Encounter": _encounter,
}
