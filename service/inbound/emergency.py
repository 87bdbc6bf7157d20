"""The plain message by which a client opens emergency access."""

from __future__ import annotations

from service.inbound.plain import Name, Plain, Text


class EmergencyMessage(Plain):
    """Opens the record of one patient (`Patient/id`) or of one case for reading, for some hours.

    `person` is for whom a client opens it. The service cannot verify the name, and marks it so wherever it stands.
    """

    patient: Text | None = None
    case_number: Text | None = None
    reason: str
    person: Name | None = None
