"""A referral, a message of the dental office, a search and an update by the Python client, against a running service.

    .venv/bin/airway-relay serve
    .venv/bin/python examples/client.py http://127.0.0.1:8080

With access control on, give a key: `RelayClient(address, key=BackendKey("client-id", private_jwk, ("system/*.cruds",)))`.
"""

from __future__ import annotations

import json
import sys
from decimal import Decimal
from pathlib import Path

from fhir.resources.R4B.careplan import CarePlan
from fhir.resources.R4B.observation import Observation
from fhir.resources.R4B.organization import Organization

from service.client.failure import RelayError
from service.client.relay import RelayClient

EXAMPLES = Path(__file__).parent


def message(name: str) -> dict[str, object]:
    """A message of the examples, its decimals with their digits."""
    return json.loads((EXAMPLES / f"{name}.json").read_text(), parse_float=Decimal)


def main(address: str) -> None:
    """Play the beginning of a case and print what the service answers."""
    with RelayClient(address) as relay:
        number = relay.plain.refer(message("sleep-lab/referral"))["case_number"]
        answer = relay.plain.send(number, "referral-state", message("dental-office/accept"))
        print(f"{number}: {answer['why']}")

        plan = relay.fhir.read(CarePlan, number)
        print(f"CarePlan {plan.id}, version {plan.meta.versionId}")
        for found in relay.fhir.search(Observation, ("patient", str(plan.subject.reference)), ("_count", "5")):
            if found.valueQuantity:
                print(f"  {found.code.coding[0].code}: {found.valueQuantity.value} {found.valueQuantity.unit}")

        office = next(relay.fhir.search(Organization, ("name", "Ferrygate")))
        stale = office.model_copy(deep=True)
        office.alias = ["Ferrygate"]
        print(f"Organization version {relay.fhir.update(office).meta.versionId}")
        try:
            relay.fhir.update(stale)
        except RelayError as error:
            print(f"refused with {error.status}: {error.problems[0].text}")


if __name__ == "__main__":
    main(sys.argv[1])
