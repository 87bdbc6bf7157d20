"""The order for oral appliance therapy and what came with it, as the rules read it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from service.rules.kinds import ReferralState
from service.rules.source import Source


@dataclass(frozen=True, slots=True)
class Referral:
    """The order for oral appliance therapy. Age is judged from `birth_date`; None means not told.

    `conditions` are the symptoms and comorbidities told with the referral, in plain words such as `hypertension`.
    `state_since` is the history of `state` where it is known: the day on which each state was entered.
    `undelivered_since` is the day from which the referral waits because an office that it names is not registered with
    the service, and `sent_by_laboratory` whose move that is: the laboratory's or else the physician's.
    `told_in` names the resource behind a field that is no element of the order itself. `dental_office` is the reference
    of the organisation that is to treat.
    """

    source: Source
    day: date
    state: ReferralState = ReferralState.REQUESTED
    birth_date: date | None = None
    prescriber: str | None = None
    diagnosis_codes: tuple[str, ...] = ()
    pap_history: str | None = None
    prescriber_is_physician: bool | None = None
    conditions: tuple[str, ...] = ()
    face_to_face_on: date | None = None
    ordered_by_treating_practitioner: bool | None = None
    pap_contraindicated: bool | None = None
    dentist_licensed: bool | None = None
    dental_office: str | None = None
    state_since: tuple[tuple[date, ReferralState], ...] = ()
    told_in: tuple[tuple[str, Source], ...] = ()
    undelivered_since: date | None = None
    sent_by_laboratory: bool = False

    def told_by(self, name: str) -> tuple[Source, ...]:
        """The resource versions from which a field was read: those of `told_in`, else the order itself."""
        return tuple(sorted(source for told, source in self.told_in if told == name)) or (self.source,)

    def state_on(self, as_of: date) -> ReferralState:
        """The state on a day by the history; without a history `state`, before its first entry as requested.

        Of several states entered on one day the present one counts, or else the one furthest along.
        """
        if not self.state_since:
            return self.state
        past = [(day, state) for day, state in self.state_since if day <= as_of]
        if not past:
            return ReferralState.REQUESTED
        last = max(day for day, _ in past)
        entered = {state for day, state in past if day == last}
        later = any(day > last for day, _ in self.state_since)
        if self.state in entered and not later:
            return self.state
        return max(entered, key=list(ReferralState).index)

    def entered_on(self, state: ReferralState, as_of: date) -> date:
        """The last day up to `as_of` on which that state was entered; the day of the referral without a history."""
        return max((day for day, held in self.state_since if held is state and day <= as_of), default=self.day)
