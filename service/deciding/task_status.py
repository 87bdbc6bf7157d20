"""The business status of a referral's Task that the service alone sets."""

from __future__ import annotations

from service.deciding.state import CaseState
from service.deciding.versions import as_version, content_of
from service.fhir.build import Resource
from service.fhir.codes import has_code, local
from service.fhir.facts.words import Undelivered
from service.fhir.json_text import load
from service.rows import Stored
from service.rules.stage import Stage, StageName

OWN_BUSINESS_STATUS = {StageName.READY_FOR_TEST: "ready-for-retest", StageName.TEST_ORDERED: "retest-ordered"}
"""Set by the service alone. «retest-ordered» is the physician's act all the same: it follows from the order."""


def wanted_status(stage: Stage, state: CaseState) -> str:
    """The business status that the service sets at a stage; empty for none."""
    if stage.name is StageName.REFERRED and state.business_status in tuple(Undelivered):
        return state.business_status
    return OWN_BUSINESS_STATUS.get(stage.name, "")


def with_business_status(task: Stored, is_pending: bool, wanted: str, now: str) -> Stored | None:
    """The Task with a business status of the service, empty for none; None when no version of it is due.

    `is_pending` when `task` is a version already due. A business status of the dental office's own stays until the service
    has one to set.
    """
    body = load(task.body)
    was = body.get("businessStatus")
    if own_business_status(body):
        del body["businessStatus"]
    if wanted:
        body["businessStatus"] = local(wanted).concept
    if body.get("businessStatus") == was:
        return task if is_pending else None
    version = task.version if is_pending else task.version + 1
    return as_version(content_of(body), task.id, version, task.case_number, now)


def own_business_status(task: Resource) -> str:
    """The business status of a Task when it is one the service alone sets, else empty."""
    own = (*OWN_BUSINESS_STATUS.values(), *(u.value for u in Undelivered))
    return next((n for n in own if has_code(task.get("businessStatus"), local(n))), "")
