"""What the service remembers of a case beside its facts: a typed value with a schema number, kept in the case row."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec

from service.rows import Case

SCHEMA = 1


class CaseState(msgspec.Struct, frozen=True, kw_only=True):
    """The memory of a case.

    `versions` are the service's own resources: version and digest of the content of each; `indexed` the digest of the
    values by which each is found, so that the search index is written only where they change. `proposals` are the tests
    that were proposed: the day, and the status of the proposal. `conditions` are the diagnoses and `appliance` the device
    that messages and the CarePlan refer to. `moved_on` is the day of the dental office's last move.

    `superseded_before` and `superseded_by_rules` say for which decisions the marks of superseded facts are right: those
    from a day on, by a version of the rules. `decision_state` is a digest of what matters of the decision that the
    resources give. `open_cancellation` is the Task that asks to cancel, while it waits for an answer; `replaced_because`
    how the referral before this one ended.

    `waits_for` are the parts of the offices for whose binding the referral waits, `asked_of` the registered organisation
    of the dental office it is asked of, `sent_by` the kind of office that sent it, `offices` the entries of the directory
    that the parties may read. `changed_by_release` are the day, before and after, when a release that read the facts anew
    decided otherwise.
    """

    schema: int = SCHEMA
    versions: dict[str, tuple[int, str]] = {}
    indexed: dict[str, str] = {}
    proposals: dict[str, tuple[str, str]] = {}
    conditions: tuple[str, ...] = ()
    business_status: str = ""
    moved_on: str = ""
    birth_date: str = ""
    appliance: str = ""
    superseded_before: str = ""
    superseded_by_rules: int = 0
    decision_state: str = ""
    open_cancellation: str = ""
    replaced_because: str = ""
    waits_for: tuple[str, ...] = ()
    asked_of: str = ""
    sent_by: str = ""
    offices: tuple[str, ...] = ()
    changed_by_release: tuple[str, ...] = ()

    def but(self, **changes: Any) -> CaseState:
        """The state with some fields changed."""
        return msgspec.structs.replace(self, **changes)

    def decided_anew(self) -> CaseState:
        """Without what was noted of the last decision, so that the next one reads every fact and is recorded."""
        return self.but(superseded_before="", superseded_by_rules=0, decision_state="")

    def text(self) -> str:
        """As JSON text for the case row."""
        return _ENCODER.encode(self).decode()


_ENCODER = msgspec.json.Encoder()
_DECODER = msgspec.json.Decoder(CaseState)
_OF_ANY_SCHEMA = msgspec.json.Decoder(dict[str, Any])


def state_in(case: Case) -> CaseState:
    """The state in a case row, whichever landing wrote it."""
    return state_of(case.derived)


def state_of(text: str) -> CaseState:
    """A state from its JSON text. ValueError when a later release wrote it, or when it is none."""
    values = _OF_ANY_SCHEMA.decode(text)
    schema = values.get("schema", 0)
    if schema == SCHEMA:
        return _DECODER.decode(text)
    if schema not in _UPGRADES:
        raise ValueError(f"the state of a case has schema {schema}, and this release knows those up to {SCHEMA}")
    while schema < SCHEMA:
        values = _UPGRADES[schema](values)
        schema += 1
    return msgspec.convert({**values, "schema": SCHEMA}, CaseState)


_NAMES_OF_0 = {
    "found_by": "indexed",
    "spent_before": "superseded_before",
    "spent_by": "superseded_by_rules",
    "standing": "decision_state",
    "to_cancel": "open_cancellation",
}


def _from_0(values: dict[str, Any]) -> dict[str, Any]:
    """Rows of the landings up to 0.3.0 have no number, other names, and at times fields that are no longer kept.

    What they noted of the last decision counts on: a mark is read only with the version of the rules that set it.
    """
    renamed = {_NAMES_OF_0.get(name, name): value for name, value in values.items()}
    return {name: value for name, value in renamed.items() if name in CaseState.__struct_fields__}


_UPGRADES: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {0: _from_0}
"""How a state of each earlier schema becomes one of the next."""
