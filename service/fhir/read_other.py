"""Facts from resources that are not Observations: reports, orders, Tasks, devices and their use, diagnoses."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal

from service.fhir.build import Resource
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
from service.fhir.dates import day_of
from service.fhir.facts.fact import Reported, Unread
from service.fhir.facts.referral import ConditionFact, DiagnosisFact, EvaluationFact, ReferralFact, TaskFact
from service.fhir.facts.sleep_tests import SleepTestFact
from service.fhir.facts.treatment import ApplianceUseFact, DeviceFact, TestOrderFact, VisitFact
from service.fhir.facts.words import FactKind, Undelivered
from service.fhir.json_parts import list_in, object_in
from service.fhir.reading import Reading, organisation_of, reference_of, word_of
from service.rules import limits
from service.rules.kinds import Office, ReferralState, TestPlace, TestPurpose

_DEVICE_LENGTHS = {
    "maximum-advance": limits.ADVANCE_MM,
    "smallest-step": limits.STEP_MM,
    "starting-position": limits.POSITION_MM,
}


def read_other(reading: Reading) -> Reported | None:
    """The fact in a resource of these types; None when it holds none the rules use."""
    reader = _READERS.get(reading.resource["resourceType"])
    return reader(reading) if reader else None


def _diagnostic_report(reading: Reading) -> SleepTestFact | Unread | None:
    resource = reading.resource
    categories = list_in(resource.get("category"))
    purpose = None
    for candidate, code in ((TestPurpose.BASELINE, "baseline-test"), (TestPurpose.EFFICACY, "efficacy-test")):
        if any(has_code(c, local(code)) for c in categories):
            purpose = candidate
    if purpose is None:
        return None
    moment = reading.moment("effectiveDateTime")
    if moment is None:
        return Unread(FactKind.SLEEP_TEST)
    home = has_code(resource.get("code"), local("home-sleep-test"))
    laboratory = has_code(resource.get("code"), POLYSOMNOGRAPHY_STUDY)
    results = (reference_of(one) for one in list_in(resource.get("result")))
    return SleepTestFact(
        day=moment.day,
        purpose=purpose,
        place=TestPlace.HOME if home else TestPlace.LABORATORY if laboratory else None,
        results=tuple(reference for reference in results if reference),
        performer=organisation_of(resource.get("performer")),
    )


def _service_request(reading: Reading) -> ReferralFact | TestOrderFact | Unread | None:
    resource = reading.resource
    if is_referral(resource):
        moment = reading.moment("authoredOn")
        if moment is None:
            return Unread(FactKind.REFERRAL)
        # the organisation that is to treat stands first
        return ReferralFact(
            day=moment.day,
            prescriber=_prescriber(resource.get("requester")),
            dental_office=organisation_of(list_in(resource.get("performer"))[:1]),
        )
    if is_test_order(resource) and resource.get("status") != "revoked":
        moment = reading.moment("authoredOn")
        return TestOrderFact(day=moment.day) if moment else Unread(FactKind.TEST_ORDER)
    return None


def _prescriber(requester: object) -> str | None:
    """The person who prescribes; an organisation alone does not say who."""
    address = reference_of(requester)
    return address if address and address.startswith(("Practitioner/", "PractitionerRole/")) else None


def is_referral(resource: Resource) -> bool:
    """Whether a resource is the order that opens a case."""
    return (
        resource.get("resourceType") == "ServiceRequest"
        and resource.get("intent") == "order"
        and has_code(resource.get("code"), DENTAL_REFERRAL)
    )


def is_test_order(resource: Resource) -> bool:
    """Whether a resource is a physician's order for an efficacy test."""
    return (
        resource.get("resourceType") == "ServiceRequest"
        and resource.get("intent") == "order"
        and has_code(resource.get("code"), local("efficacy-test"))
    )


def is_referral_task(resource: Resource) -> bool:
    """Whether a resource is the Task that carries the state of a referral."""
    return resource.get("resourceType") == "Task" and any(
        c.get("code") == "fulfill" for c in codings_of(resource.get("code"))
    )


def _task(reading: Reading) -> Reported | None:
    if is_cancellation(reading.resource):
        return read_cancellation(reading)
    if not is_referral_task(reading.resource):
        return None
    state = word_of(ReferralState, reading.resource.get("status"))
    if state is None:
        reading.wrong("status", f"A referral is one of {', '.join(s.value for s in ReferralState)}.")
    period = object_in(reading.resource.get("executionPeriod")) or {}
    began = reading.day_in(period, "start", "executionPeriod")
    acted = reading.day_in(period, "end", "executionPeriod")
    modified = reading.day_in(reading.resource, "lastModified", "")
    if state is None:
        return Unread(FactKind.TASK)
    return TaskFact(
        state=state,
        began=began,
        acted=acted,
        modified=modified,
        stored=_stored_on(reading.resource),
        undelivered=next(
            (u for u in Undelivered if has_code(reading.resource.get("businessStatus"), local(u.value))), None
        ),
    )


def _stored_on(resource: Resource) -> date | None:
    """The day on which a version was stored; None for a resource that was not stored yet."""
    try:
        return day_of(str((object_in(resource.get("meta")) or {}).get("lastUpdated", ""))[:10])
    except ValueError:
        return None


def _device(reading: Reading) -> DeviceFact | Unread | None:
    if not has_code(reading.resource.get("type"), local("oral-appliance")):
        return None
    if not isinstance(reading.resource.get("property", []), list):
        reading.wrong("property", "A list of properties is needed.")
        return Unread(FactKind.DEVICE)
    found: dict[str, Decimal | None] = {}
    for index, item in enumerate(list_in(reading.resource.get("property"))):
        where, prop = f"property[{index}]", object_in(item) or {}
        for code, limit in _DEVICE_LENGTHS.items():
            if not has_code(prop.get("type"), local(code)):
                continue
            values = list_in(prop.get("valueQuantity"))
            if len(values) != 1:
                reading.wrong(f"{where}.valueQuantity", f"Exactly one length in {limit.unit} is needed.")
                continue
            found[code] = reading.quantity({"valueQuantity": values[0]}, where, limit)
    return DeviceFact(
        maximum_advance_mm=found.get("maximum-advance"),
        smallest_step_mm=found.get("smallest-step"),
        starting_position_mm=found.get("starting-position"),
    )


def _device_use(reading: Reading) -> ApplianceUseFact | Unread | None:
    device = reference_of(reading.resource.get("device"))
    period = object_in(reading.resource.get("timingPeriod"))
    if not device:
        return None
    if period is None or "start" not in period:
        reading.wrong("timingPeriod.start", "The day of delivery is needed.")
        return Unread(FactKind.APPLIANCE_USE)
    start = reading.day_in(period, "start", "timingPeriod")
    end = reading.day_in(period, "end", "timingPeriod")
    if start and end and end < start:
        reading.wrong("timingPeriod.end", f"The end {end} lies before the delivery {start}.")
    if not end and reading.resource.get("status") in ("completed", "stopped"):
        reading.wrong("timingPeriod.end", "The day on which the use ended is needed.")
    if start is None:
        return Unread(FactKind.APPLIANCE_USE, days=(end,) if end else ())
    return ApplianceUseFact(device=device, delivered_on=start, ended_on=end)


_VISITS = {"dental-visit": Office.DENTIST, "physician-visit": Office.PHYSICIAN}


def _encounter(reading: Reading) -> VisitFact | EvaluationFact | Unread | None:
    """A finished visit of a kind the rules use; one still to come, or cancelled, is none."""
    kinds = {code for concept in list_in(reading.resource.get("type")) if (code := local_code_of(concept))}
    office = next((o for code, o in _VISITS.items() if code in kinds), None)
    evaluation = "face-to-face-evaluation" in kinds
    if reading.resource.get("status") != "finished" or not (office or evaluation):
        return None
    period = object_in(reading.resource.get("period")) or {}
    unread = Unread(FactKind.VISIT, office) if office else Unread(FactKind.EVALUATION)
    if "start" not in period:
        reading.wrong("period.start", "The day of the visit is needed.")
        return unread
    on = reading.day_in(period, "start", "period")
    if on is None:
        return unread
    return VisitFact(visited_on=on, office=office) if office else EvaluationFact(visited_on=on)


_CONDITIONS = {
    "impaired-cognition": "impaired cognition",
    "mood-disorder": "mood disorder",
    "insomnia": "insomnia",
    "hypertension": "hypertension",
    "ischaemic-heart-disease": "ischaemic heart disease",
    "history-of-stroke": "history of stroke",
}
"""Our codes of the conditions in `rules/coverage_us.py`; excessive sleepiness has a published one."""


def _condition(reading: Reading) -> ConditionFact | DiagnosisFact | None:
    """A symptom or comorbidity that the documentation check knows, or else a diagnosis."""
    code = reading.resource.get("code")
    known = "excessive daytime sleepiness" if has_code(code, EXCESSIVE_SLEEPINESS) else None
    known = known or _CONDITIONS.get(local_code_of(code) or "")
    if known:
        return ConditionFact(condition=known)
    codes = tuple(str(coding["code"]) for coding in codings_of(code) if "code" in coding)
    return DiagnosisFact(codes=codes) if codes else None


_READERS: dict[str, Callable[[Reading], Reported | None]] = {
    "DiagnosticReport": _diagnostic_report,
    "ServiceRequest": _service_request,
    "Task": _task,
    "Device": _device,
    "DeviceUseStatement": _device_use,
    "Condition": _condition,
    "Encounter": _encounter,
}
