"""The telephone numbers a patient of a case calls: each office's own, else the site's, else what the referral tells."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from sqlalchemy import Connection

from service.fhir.json_text import load
from service.fhir.telephone import telephone_of
from service.intake.load import planned
from service.intake.parties.naming import office_named
from service.rows import split
from service.rules.kinds import Office
from service.rules.site import Site
from service.store import directory, resources

_DENTIST, _PHYSICIAN = Office.DENTIST.value, Office.PHYSICIAN.value
ACCORDING_TO_THE_REFERRAL = "according to the referral"


@dataclass(frozen=True, slots=True)
class Telephone:
    """A number, and the words beside it where it is not the office's own word: empty otherwise."""

    number: str
    whence: str = ""

    @property
    def text(self) -> str:
        """The number as it is printed."""
        return f"{self.number} ({self.whence})" if self.whence else self.number


def telephones_of(
    connection: Connection, physician: str | None, dental_office: str | None, site: Site
) -> dict[str, Telephone]:
    """The numbers by office, `dentist` and `physician`, of the two that a case names; one that is not known is left out.

    The record of a registered organisation counts as its own word; any other is what a sender says of it.
    """
    named = ((_DENTIST, dental_office, site.dentist_telephone), (_PHYSICIAN, physician, site.physician_telephone))
    acting = {
        office: planned(connection, partial(office_named, reference=held), only_looks=True)
        for office, held, _ in named
        if held
    }
    current = resources.current_of(
        connection, [split(organisation) for organisation in acting.values() if organisation]
    )
    told: dict[str, Telephone] = {}
    for office, _, set_here in named:
        organisation = acting.get(office, "")
        found = current.get(split(organisation)) if organisation else None
        number = telephone_of(load(found.body)) if found and not found.deleted else ""
        if number and directory.registered(connection, [organisation]):
            told[office] = Telephone(number)
        elif set_here:
            told[office] = Telephone(set_here)
        elif number:
            told[office] = Telephone(number, ACCORDING_TO_THE_REFERRAL)
    return told
