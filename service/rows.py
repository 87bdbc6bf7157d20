"""Rows of the store as plain values: what the pure parts of the service work on, without a database."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.fhir.search_values import Value


@dataclass(frozen=True, slots=True)
class Stored:
    """One stored version of a resource; `case_number` is empty for those shared between cases.

    A version that says the resource is deleted has an empty body. `values` are what a new version is found by, where
    they are known already; otherwise they are read from the body. They are not written again when they are those of
    the version before.
    """

    type: str
    id: str
    version: int
    case_number: str
    last_updated: str
    body: str
    deleted: bool = False
    values: tuple[Value, ...] | None = field(default=None, compare=False)
    found_as_before: bool = field(default=False, compare=False)

    @property
    def reference(self) -> str:
        """`Type/id`."""
        return f"{self.type}/{self.id}"


@dataclass(frozen=True, slots=True)
class Case:
    """A case row; `summary` and `derived` are JSON text.

    It gives the decision of `decided_on`; the resources of the case give that of `recorded_on`. `facts_shape` says by
    which release's shape its facts were read.
    """

    case_number: str
    patient: str
    referral: str
    task: str
    physician: str | None
    dental_office: str | None
    opened_at: str
    changed_at: str
    decided_on: str
    stage: str
    whose_move: str
    waiting_since: str
    outcome: str
    urgent: bool
    summary: str
    derived: str
    overdue_from: str | None = None
    replaces: str | None = None
    recorded_on: str = ""
    facts_shape: str = ""


@dataclass(frozen=True, slots=True)
class FactText:
    """One fact row: the resource version it was read from, the fact as JSON text, and whether decisions stopped reading it."""

    type: str
    id: str
    version: int
    content: str
    spent: bool = False


@dataclass(frozen=True, slots=True)
class GivenNumber:
    """A business identifier (type, system, value) of a resource, and the organisation that gave it."""

    number: tuple[str, str, str]
    id: str
    revision: int
    scope: str


@dataclass(frozen=True, slots=True)
class WaitingParty:
    """A party of a case that no binding leads to an organisation, by one of the numbers it was named by."""

    case_number: str
    part: str
    reference: str
    kind: str
    system: str
    value: str
    sender: str
    since: str

    @property
    def key(self) -> tuple[str, ...]:
        """What makes two rows the same party."""
        return (self.case_number, self.part, self.reference, self.kind, self.system, self.value)


@dataclass(frozen=True, slots=True)
class Notice:
    """It is a party's move: which case, at what stage since which day, and the resource to look at.

    `owner` is the party as the case names it, `organization` the one it belongs to; either is empty if unknown. Of
    another topic, only case, time and focus are given.
    """

    id: str
    case_number: str
    made_at: str
    whose_move: str
    owner: str
    organization: str
    stage: str
    since: str
    urgent: bool
    focus: str
    topic: str = "whose-move"


PLACER, FULFILLER, LAB = "placer", "fulfiller", "lab"
"""As what an organisation is a party: the physician's, the dental office's, a laboratory's."""
EVERYBODY = "*"
"""Stands for every organisation: among the readers of a resource, and as the scope of a number that the operator bound."""
ANY_SENDER = ""
"""Stands for every sender in a binding."""
DIRECTORY = ("Practitioner", "PractitionerRole", "Organization")
"""Types that say who works where. What a client writes of others is its own entry: nobody else finds it by its number."""
NOBODY = "-"
"""Stands for the dental office of a referral that is not delivered, so that an earlier one does not act for it."""
Number = tuple[str, str, str]
"""A business number: (type of resource, system, value)."""
Key = tuple[str, str]
"""(type, id) of a resource."""


def nobodys(event: str) -> str:
    """The case number of an AuditEvent that is of no case: no party's, spread over the partitions of a database."""
    return f"-{event[-1]}"


def split(reference: str) -> Key:
    """Type and id of a reference."""
    kind, resource_id = reference.split("/", 1)
    return kind, resource_id
